"""The list of targets."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from manifests.frames.frame import FrameType
from manifests.frames.names.places import field_of_view_deg
from manifests.index.targets import FilterSum, TargetRow, targets

MARCH_14, MARCH_15 = date(2026, 3, 14), date(2026, 3, 15)


def listed(archive: Any) -> list[TargetRow]:
    archive.bring_up_to_date()
    with archive.open() as index:
        return list(targets(index))


def test_a_target_says_its_nights_its_hours_by_filter_and_where_it_is(archive: Any, make: Any) -> None:
    lights = [make.light(1), make.light(2, name="OIII"), make.light(3, night=MARCH_15)]
    archive.write("NGC 7331", lights)
    (row,) = listed(archive)
    assert (row.target, row.nights, row.first_night, row.last_night) == ("NGC 7331", 2, MARCH_14, MARCH_15)
    assert (row.frames, row.exposure_s, row.hours) == (3, 900.0, 0.25)
    assert row.filters == (FilterSum("Ha", 2, 600.0), FilterSum("OIII", 1, 300.0))
    assert row.filters[0].hours == 600 / 3600
    assert (row.ra_deg, row.dec_deg) == (pytest.approx(339.267), pytest.approx(34.416))
    assert row.field_deg == field_of_view_deg(lights[0].frame)
    assert row.absent_frames == 0


def test_targets_are_sorted_and_calibration_frames_are_none(archive: Any, make: Any) -> None:
    archive.write("b", [make.light(1, "NGC 7331")])
    archive.write("a", [make.light(1, "M 31")])
    archive.write("calibration", [make.calibration(1, FrameType.DARK, 300.0, target="M 31")])
    assert [(row.target, row.frames) for row in listed(archive)] == [("M 31", 1), ("NGC 7331", 1)]


def test_a_target_in_two_bags_is_one(archive: Any, make: Any) -> None:
    archive.write("a", [make.light(1)])
    archive.write("b", [make.light(2)])
    (row,) = listed(archive)
    assert (row.frames, row.nights) == (2, 1)


def test_a_frame_of_no_known_type_is_not_lost_sight_of(archive: Any, make: Any) -> None:
    archive.write("a", [make.framed(make.light(1), frame_type=None)])
    assert [row.frames for row in listed(archive)] == [1]


def test_a_field_across_the_zero_of_right_ascension_has_its_middle_there(archive: Any, make: Any) -> None:
    west, east = (
        make.under(make.light(number), ra_deg=ra, dec_deg=0.0) for number, ra in ((1, 359.0), (2, 1.0))
    )
    archive.write("a", [west, east])
    (row,) = listed(archive)
    assert row.ra_deg is not None
    assert min(row.ra_deg, 360 - row.ra_deg) == pytest.approx(0.0, abs=1e-9)


def test_a_target_without_positions_is_nowhere(archive: Any, make: Any) -> None:
    light = make.framed(replace(make.light(1), sky=None), ra_deg=None, dec_deg=None)
    archive.write("a", [light])
    (row,) = listed(archive)
    assert (row.ra_deg, row.dec_deg) == (None, None)


def test_a_target_whose_bag_is_gone_is_listed_and_says_so(archive: Any, make: Any) -> None:
    archive.write("NGC 7331", [make.light(1), make.light(2)])
    archive.bring_up_to_date()
    (archive.folder / "NGC 7331").rename(archive.folder.parent / "elsewhere")
    (row,) = listed(archive)
    assert (row.frames, row.absent_frames) == (2, 2)


def test_an_empty_archive_has_no_targets(archive: Any) -> None:
    assert listed(archive) == []


def test_a_frame_that_is_not_in_use_is_out_of_the_hours_and_told_apart(archive: Any, make: Any) -> None:
    archive.write("a", [make.light(1), replace(make.light(2), in_use=False)])
    (row,) = listed(archive)
    assert (row.frames, row.exposure_s, row.results, row.not_in_use) == (1, 300.0, 0, 1)
    assert row.filters == (FilterSum("Ha", 1, 300.0),)


def test_a_target_of_which_no_frame_is_in_use_is_not_lost_sight_of(archive: Any, make: Any) -> None:
    archive.write("a", [replace(make.light(1), in_use=False)])
    (row,) = listed(archive)
    assert (row.frames, row.nights, row.hours, row.not_in_use) == (0, 0, 0.0, 1)
