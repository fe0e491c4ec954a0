"""The roast log: every roast that was heard, what the person said of it, and what they teach together."""
