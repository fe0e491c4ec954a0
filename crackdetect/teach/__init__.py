"""Learns a person's own machine from their kept roasts: what each teaches, and whether the sum of it is better."""
