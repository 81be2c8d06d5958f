"""The table of a frame's facts: every fact is told, once, with its unit."""

from __future__ import annotations

from dataclasses import fields

import pytest

from manifests.frames.frame import Frame
from manifests.frames.frame_sky import FrameSky
from manifests.frames.measures.frame_measures import FrameMeasures
from transfer.cli.formats.columns import COLUMNS, FrameColumn

NAMES = [column.name for column in COLUMNS]
UNITS = {
    "_s": "s",
    "_deg": "deg",
    "_deg_c": "deg_C",
    "_mm": "mm",
    "_um": "um",
    "_px": "pix",
    "_bytes": "byte",
    "_adu": "adu",
    "_arcsec": "arcsec",
}


def test_no_name_is_given_twice() -> None:
    assert len(NAMES) == len({*NAMES, "path", "findings"}) - 2


@pytest.mark.parametrize("fact", [field.name for field in fields(Frame) if field.name != "frame_type"])
def test_every_fact_of_a_header_is_told(fact: str) -> None:
    assert fact in NAMES or f"header_{fact}" in NAMES


@pytest.mark.parametrize("fact", [field.name for field in fields(FrameMeasures) if field.name != "why_not"])
def test_every_measure_is_told(fact: str) -> None:
    assert fact in NAMES


@pytest.mark.parametrize("fact", [field.name for field in fields(FrameSky)])
def test_every_fact_of_the_sky_is_told_and_the_headers_own_apart(fact: str) -> None:
    assert fact in NAMES
    if fact in {field.name for field in fields(Frame)}:
        assert f"header_{fact}" in NAMES


@pytest.mark.parametrize("column", COLUMNS, ids=NAMES)
def test_a_name_ends_in_its_unit(column: FrameColumn) -> None:
    ending = next((end for end in sorted(UNITS, key=len, reverse=True) if column.name.endswith(end)), None)
    if ending is not None:
        assert column.unit == UNITS[ending]
    else:
        assert column.unit in ("", "yr")
