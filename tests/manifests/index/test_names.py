"""The names in use."""

from __future__ import annotations

from typing import Any

from manifests.frames.frame import FrameType
from manifests.index.names import ArchiveNames, FilterRow, filters, names


def test_every_name_in_use_is_given_once_and_sorted(archive: Any, make: Any) -> None:
    archive.write("a", [make.light(1, "NGC 7331"), make.light(2, "M 31", "OIII"), make.light(3, "M 31")])
    flat = make.framed(make.calibration(1, FrameType.FLAT, 2.0, filter="SII"), camera="Other 9C")
    archive.write("calibration", [flat])
    archive.rebuild()
    with archive.open() as index:
        assert names(index) == ArchiveNames(
            ("M 31", "NGC 7331"), ("Ha", "OIII", "SII"), ("Lantern 26M", "Other 9C")
        )
        assert list(filters(index)) == [FilterRow("Ha", 2, 600.0), FilterRow("OIII", 1, 300.0)]
        assert next(filters(index)).hours == 600 / 3600
