from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from manifests.frames.calibration.masters import WithMasters
from manifests.frames.calibration.matching import Match, Missing
from manifests.frames.calibration.plan import plan_calibration
from manifests.frames.calibration.setups import FiledFrame, Setup
from manifests.frames.calibration.tolerances import Tolerances
from manifests.frames.frame import FrameType

NIGHT = date(2026, 3, 14)
LIGHT = Setup(
    camera="Lantern 26",
    telescope="Long Tube",
    filter_name="Ha",
    size_px=(100, 100),
    binning=(1, 1),
    gain=100.0,
    offset=30.0,
    exposure_s=300.0,
    sensor_deg_c=-10.0,
    night=NIGHT,
)
RAW_DARKS = [FiledFrame(f"dark {number}", FrameType.DARK, LIGHT) for number in range(20)]
MASTER_DARK = FiledFrame("master dark", FrameType.DARK, replace(LIGHT, night=date(2026, 2, 1)))


def paths(answer: Match | Missing) -> tuple[str, ...]:
    assert isinstance(answer, Match), answer
    return answer.paths


def library(raws: list[FiledFrame], masters: list[FiledFrame], *, masters_first: bool = False) -> WithMasters:
    return WithMasters(raws, masters, Tolerances(), masters_first=masters_first)


def test_raw_frames_come_first_and_a_master_is_never_among_them() -> None:
    assert paths(library(RAW_DARKS, [MASTER_DARK]).match(FrameType.DARK, LIGHT)) == tuple(
        frame.path for frame in RAW_DARKS
    )


def test_a_master_stands_in_where_no_raw_frame_fits_and_that_is_said() -> None:
    answer = library([], [MASTER_DARK]).match(FrameType.DARK, LIGHT)
    assert paths(answer) == ("master dark",)
    assert answer.why.endswith("; a master, in place of raw frames")


def test_masters_come_first_where_they_are_chosen_and_raw_frames_where_none_fits() -> None:
    chosen = library(RAW_DARKS, [MASTER_DARK], masters_first=True)
    assert paths(chosen.match(FrameType.DARK, LIGHT)) == ("master dark",)
    longer = replace(LIGHT, exposure_s=600.0)
    raws = [FiledFrame("long dark", FrameType.DARK, longer)]
    assert paths(library(raws, [MASTER_DARK], masters_first=True).match(FrameType.DARK, longer)) == (
        "long dark",
    )


@pytest.mark.parametrize("facts", [{"exposure_s": 180.0}, {"gain": 0.0}, {"sensor_deg_c": -20.0}])
def test_a_master_has_to_fit_as_a_raw_frame_has(facts: dict[str, float]) -> None:
    other = replace(MASTER_DARK, setup=replace(MASTER_DARK.setup, **facts))
    assert isinstance(library([], [other]).match(FrameType.DARK, LIGHT), Missing)


def test_of_several_masters_the_nearest_is_taken_alone() -> None:
    later = FiledFrame("later master", FrameType.DARK, replace(LIGHT, night=date(2026, 3, 10)))
    assert paths(library([], [MASTER_DARK, later]).match(FrameType.DARK, LIGHT)) == ("later master",)


def test_a_master_flat_needs_no_dark_flats() -> None:
    flat = FiledFrame("master flat", FrameType.FLAT, replace(LIGHT, exposure_s=2.5))
    lights = [FiledFrame("light", FrameType.LIGHT, LIGHT)]
    rows = plan_calibration(lights, library(RAW_DARKS, [flat]))
    assert [(row.of, row.kind, row.missing) for row in rows] == [
        (FrameType.LIGHT, FrameType.DARK, False),
        (FrameType.LIGHT, FrameType.FLAT, False),
        (FrameType.LIGHT, FrameType.BIAS, False),
    ]
