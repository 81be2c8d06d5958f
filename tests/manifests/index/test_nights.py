"""The list of nights."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from manifests.findings import Finding, FindingKind
from manifests.frames.frame import FrameType
from manifests.index.frame_query import Between
from manifests.index.nights import NightPart, NightRow, nights

MARCH_14, MARCH_15, MARCH_16 = date(2026, 3, 14), date(2026, 3, 15), date(2026, 3, 16)


def listed(archive: Any, within: Between[date] | None = None) -> list[NightRow]:
    archive.bring_up_to_date()
    with archive.open() as index:
        return list(nights(index, within))


def test_a_night_says_what_it_gave_the_lights_first(archive: Any, make: Any) -> None:
    sums = Finding(FindingKind.DATASUM_WRONG)
    growing = Finding(FindingKind.STILL_GROWING)
    archive.write(
        "NGC 7331", [replace(make.light(1), findings=(sums,)), make.light(2), make.light(3, name="OIII")]
    )
    archive.write(
        "calibration", [make.calibration(1, FrameType.BIAS, 0.0), make.calibration(1, FrameType.DARK, 300.0)]
    )
    archive.write(
        "nights/2026-03-14", [make.entry("data/guide.log", findings=(growing,)), make.entry("data/w.csv")]
    )
    (row,) = listed(archive)
    assert row == NightRow(
        night=MARCH_14,
        frames=5,
        exposure_s=900.0,
        parts=(
            NightPart(FrameType.LIGHT, "NGC 7331", "Ha", 2, 600.0),
            NightPart(FrameType.LIGHT, "NGC 7331", "OIII", 1, 300.0),
            NightPart(FrameType.BIAS, None, None, 1, 0.0),
            NightPart(FrameType.DARK, None, None, 1, 300.0),
        ),
        logs=2,
        findings=2,
        moon_illumination=0.25,
        absent_frames=0,
    )
    assert (row.hours, row.parts[0].hours) == (0.25, 600 / 3600)


def test_what_several_setups_took_of_one_target_is_one_part(archive: Any, make: Any) -> None:
    archive.write("a", [make.light(1), make.framed(make.light(2), gain=0.0)])
    archive.write("b", [make.light(3)])
    (row,) = listed(archive)
    assert row.parts == (NightPart(FrameType.LIGHT, "NGC 7331", "Ha", 3, 900.0),)


def test_the_moon_is_the_mean_over_the_frames_for_which_it_is_known(archive: Any, make: Any) -> None:
    first, second = make.light(1), make.under(make.light(2, name="OIII"), moon_illumination=0.75)
    archive.write("a", [first, second, make.under(make.light(3), moon_illumination=None)])
    (row,) = listed(archive)
    assert row.moon_illumination == pytest.approx(0.5)


def test_a_night_of_which_no_moon_is_known_says_nothing_of_it(archive: Any, make: Any) -> None:
    archive.write("a", [make.calibration(1, FrameType.BIAS, 0.0)])
    assert [row.moon_illumination for row in listed(archive)] == [None]


def test_nights_come_in_order_and_a_range_leaves_the_others_out(archive: Any, make: Any) -> None:
    archive.write("a", [make.light(1, night=night) for night in (MARCH_16, MARCH_14, MARCH_15)])
    assert [row.night for row in listed(archive)] == [MARCH_14, MARCH_15, MARCH_16]
    assert [row.night for row in listed(archive, Between(MARCH_15))] == [MARCH_15, MARCH_16]
    assert [row.night for row in listed(archive, Between(None, MARCH_14))] == [MARCH_14]
    assert [row.night for row in listed(archive, Between(MARCH_15, MARCH_15))] == [MARCH_15]


def test_a_night_that_gave_nothing_but_logs_is_listed(archive: Any, make: Any) -> None:
    archive.write("nights/2026-03-14", [make.entry("data/weather.csv")])
    (row,) = listed(archive)
    assert (row.night, row.frames, row.logs, row.parts) == (MARCH_14, 0, 1, ())


def test_frames_that_are_not_there_now_are_counted_apart(archive: Any, make: Any) -> None:
    archive.write("a", [make.light(1)])
    archive.write("b", [make.light(2)])
    archive.bring_up_to_date()
    (archive.folder / "b").rename(archive.folder.parent / "elsewhere")
    (row,) = listed(archive)
    assert (row.frames, row.absent_frames) == (2, 1)


def test_frames_that_are_not_in_use_are_out_of_the_sums_and_told(archive: Any, make: Any) -> None:
    unused = [replace(make.light(2), in_use=False), replace(make.light(3), in_use=False)]
    archive.write("NGC 7331", [make.light(1), *unused])
    (row,) = listed(archive)
    assert (row.frames, row.exposure_s) == (1, 300.0)
    assert NightPart(FrameType.LIGHT, "NGC 7331", "Ha", 2, 600.0, in_use=False) in row.parts
