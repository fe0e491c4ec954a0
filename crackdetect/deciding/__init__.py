"""Scored candidates to the phases of a roast."""
