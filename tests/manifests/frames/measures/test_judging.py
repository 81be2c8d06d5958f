"""Frames that stand out of their series, and quiet nights in which none does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.findings import FindingKind
from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.frames.measures.judging import LEAST_FRAMES, MeasuredFrame, findings_of

MINUTE_US = 60_000_000


def quiet_night(frames: int = 20, seed: int = 1, drift: float = 0.0) -> list[MeasuredFrame]:
    """Return frames of a good night: seeing, stars and sky scatter a little, and the sky grows darker."""
    random = np.random.default_rng(seed)
    seeing = np.clip(random.normal(1, 0.05, frames), 0.8, 1.2) * np.linspace(1, 1 + drift, frames)
    return [
        MeasuredFrame(
            number * 5 * MINUTE_US,
            FrameMeasures(
                background_adu=1000 - 2 * number + random.normal(0, 2),
                noise_adu=33.0,
                stars=int(random.normal(400 / seeing[number] ** 0.5, 12)),
                size_px=3.0 * float(seeing[number]),
                elongation=1 + abs(random.normal(0, 0.04)),
                elongation_deg=random.uniform(0, 180),
                saturated_px=0,
            ),
        )
        for number in range(frames)
    ]


def with_measures(night: list[MeasuredFrame], number: int, **measures: float) -> list[MeasuredFrame]:
    changed = night[number]._replace(measures=replace(night[number].measures, **measures))
    return [*night[:number], changed, *night[number + 1 :]]


def kinds(night: list[MeasuredFrame]) -> dict[int, list[FindingKind]]:
    return {
        number: [finding.kind for finding in found]
        for number, found in enumerate(findings_of(night))
        if found
    }


def test_a_quiet_night_has_hardly_ever_a_finding() -> None:
    frames = sum(len(kinds(quiet_night(seed=seed))) for seed in range(500))
    assert frames <= 10  # of 10,000


@pytest.mark.parametrize("frames", [LEAST_FRAMES, 6, 8])
def test_few_frames_of_a_quiet_night_have_hardly_ever_a_finding(frames: int) -> None:
    assert sum(len(kinds(quiet_night(frames, seed))) for seed in range(500)) <= 10


def test_a_cloud_takes_stars_and_brightens_the_sky() -> None:
    night = with_measures(quiet_night(), 7, stars=150, background_adu=1300.0)
    assert kinds(night) == {7: [FindingKind.CLOUD]}
    detail = findings_of(night)[7][0].detail
    assert detail.startswith("150 stars, where the median of 20 frames is 39")
    assert "sky 1300 ADU, median 98" in detail


def test_fewer_stars_under_a_sky_as_dark_as_before_are_no_cloud() -> None:
    night = with_measures(quiet_night(), 7, stars=150)
    assert kinds(night) == {7: [FindingKind.FEWER_STARS]}


def test_a_bright_sky_alone_is_no_cloud() -> None:
    assert kinds(with_measures(quiet_night(), 7, background_adu=1300.0)) == {}


def test_several_clouds_do_not_hide_each_other() -> None:
    night = quiet_night()
    for number in range(5, 12):
        night = with_measures(night, number, stars=120, background_adu=1400.0)
    assert list(kinds(night)) == [5, 6, 7, 8, 9, 10, 11]


def test_an_axis_that_slips_streaks_a_frame() -> None:
    night = with_measures(quiet_night(), 3, elongation=1.7, elongation_deg=91.0)
    assert kinds(night) == {3: [FindingKind.STREAKED]}
    detail = findings_of(night)[3][0].detail
    assert detail.startswith("stars 1.70 times as long as wide, at 91°; the median of 20 frames is 1.0")


def test_a_night_whose_stars_are_all_a_little_long_has_no_streaked_frame() -> None:
    night = quiet_night()
    for number in range(len(night)):
        night = with_measures(night, number, elongation=1.30 + 0.01 * (number % 3))
    assert kinds(night) == {}


def test_stars_twice_as_long_as_wide_need_no_comparison() -> None:
    assert kinds(with_measures(quiet_night(2), 0, elongation=2.3)) == {0: [FindingKind.STREAKED]}


def test_stars_that_grow_over_hours_are_a_drift_from_where_it_shows() -> None:
    found = kinds(quiet_night(24, drift=0.8))
    assert set(map(tuple, found.values())) == {(FindingKind.FOCUS_DRIFT,)}
    assert min(found) > 6
    assert set(range(16, 24)) <= set(found)


def test_a_gust_of_wind_is_no_drift() -> None:
    assert kinds(with_measures(quiet_night(), 10, size_px=6.0)) == {}


def test_a_frame_without_stars_stands_out_of_those_with_stars_and_alone() -> None:
    night = with_measures(quiet_night(), 0, stars=0)
    assert kinds(night) == {0: [FindingKind.NO_STARS]}
    assert "the median of 20 frames is 400" in findings_of(night)[0][0].detail
    assert kinds(with_measures(quiet_night(1), 0, stars=0)) == {0: [FindingKind.NO_STARS]}
    assert kinds(with_measures(quiet_night(), 0, stars=5)) == {0: [FindingKind.NO_STARS]}


def test_what_could_not_be_measured_says_why_and_stands_in_nobodys_way() -> None:
    night = quiet_night()
    night[4] = MeasuredFrame(None, FrameMeasures(why_not="there is no image in it"))
    found = findings_of(night)
    assert kinds(night) == {4: [FindingKind.NOT_MEASURED]}
    assert found[4][0].detail == "there is no image in it"


def test_of_calibration_frames_nothing_is_compared() -> None:
    flats = [
        MeasuredFrame(number, FrameMeasures(20000.0 * number, 100.0, saturated_px=0)) for number in range(9)
    ]
    assert kinds(flats) == {}


number = st.none() | st.floats(allow_nan=False, allow_infinity=False, width=32)
count = st.none() | st.integers(0, 10**6)
any_frame = st.builds(
    MeasuredFrame,
    st.none() | st.integers(-(2**62), 2**62),
    st.builds(FrameMeasures, number, number, count, number, number, number, count),
)


@given(st.lists(any_frame, max_size=12))
def test_no_measures_stop_the_rules(night: list[MeasuredFrame]) -> None:
    assert len(findings_of(night)) == len(night)
