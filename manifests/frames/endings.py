"""What files that claim to be FITS frames are called."""

from __future__ import annotations

FITS_ENDINGS = (".fits", ".fit", ".fts", ".fits.gz", ".fit.gz", ".fts.gz", ".fits.fz", ".fit.fz", ".fz")


def looks_like_a_frame(name: str) -> bool:
    """Return whether a file claims by its name to be FITS."""
    return name.lower().endswith(FITS_ENDINGS)
