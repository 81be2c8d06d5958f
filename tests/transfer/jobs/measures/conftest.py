"""An archive whose frames have stars."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.support.small_archive import SmallArchive, frame_bytes
from tests.support.star_fields import StarField, counts, fits_of


def starry(seed: str, **cards: Any) -> bytes:
    """Return a frame with its cards, and 40 stars whose places follow from the seed."""
    from astropy.io import fits

    header = fits.Header.fromstring(frame_bytes(seed, **cards)[:2880])
    for structural in ("SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2"):
        header.remove(structural)
    field = StarField(height=160, width=200, stars=40, flux_adu=(1e4, 1e5), seed=sum(seed.encode()))
    return fits_of(counts(field.image()), **dict(header))


@pytest.fixture
def archive(tmp_path: Path) -> SmallArchive:
    """Three lights and a flat; nothing of them is measured."""
    archive = SmallArchive(tmp_path / "archive", make=starry)
    for number in (1, 2, 3):
        archive.light(f"light {number}.fits")
    archive.calibration("Flat", "flat.fits", filter_name="Ha", EXPTIME=2.5)
    return archive
