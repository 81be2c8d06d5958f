"""What files that claim to be FITS frames are called."""

from __future__ import annotations

_FRAME_ENDINGS = (".fits", ".fit", ".fts", ".fits.gz", ".fit.gz", ".fts.gz", ".fits.fz", ".fit.fz", ".fz")


def looks_like_a_frame(name: str) -> bool:
    """Tell by its name whether a file claims to be FITS."""
    return name.lower().endswith(_FRAME_ENDINGS)
