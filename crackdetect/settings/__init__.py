"""What holds for a live roast, and where each value comes from."""
