"""Is this microphone fit to hear first crack? Analysis apart from the talk with the person."""
