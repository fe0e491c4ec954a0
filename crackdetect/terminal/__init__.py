"""Everything that a terminal shows."""
