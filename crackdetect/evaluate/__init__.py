"""How well the hearing hears: recordings with known truth (``sets``), the run, scores, limits and tables."""
