"""Moves bytes and proves the move; the command line."""
