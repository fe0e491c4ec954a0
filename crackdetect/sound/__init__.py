"""What the program itself sounds: signals, speech, and the mask that keeps it from hearing itself."""
