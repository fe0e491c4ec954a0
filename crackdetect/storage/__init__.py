"""Everything that is kept on the disk."""
