"""``crackdetect log``: one file a command."""
