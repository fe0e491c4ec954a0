"""A roast to look at: figures, and one page that needs nothing but a browser."""
