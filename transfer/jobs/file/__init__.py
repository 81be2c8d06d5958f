"""Bringing nights, and folders of frames, into the archive."""
