"""The seeded generator of synthetic roasts: ``plan`` has the numbers, ``render`` the samples, ``truth`` the events."""
