"""What a roast leaves on the disk while it happens, and what is done with it after a crash."""
