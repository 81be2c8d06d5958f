"""A source read once and written to every lane."""
