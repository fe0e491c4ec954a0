"""Every kind of sound that comes in."""
