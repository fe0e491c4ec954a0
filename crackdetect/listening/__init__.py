"""A roast at the roaster: the microphone, what hangs on it, the board, the person's keys."""
