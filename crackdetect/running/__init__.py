"""The loop, its threads, many recordings at a time."""
