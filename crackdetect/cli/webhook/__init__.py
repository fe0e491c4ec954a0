"""``crackdetect webhook``: one file a command."""
