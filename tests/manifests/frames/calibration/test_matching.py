from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.calibration.matching import CALIBRATION, Library, Match, Missing
from manifests.frames.calibration.setups import FiledFrame, Setup
from manifests.frames.calibration.tolerances import Tolerances
from manifests.frames.frame import FrameType

DARK, FLAT, DARK_FLAT, BIAS = FrameType.DARK, FrameType.FLAT, FrameType.DARK_FLAT, FrameType.BIAS
NIGHT = date(2026, 3, 14)
LIGHT = Setup(
    camera="Lantern 26",
    camera_serial="0042",
    telescope="Long Tom",
    filter_name="Ha",
    size_px=(6000, 4000),
    binning=(1, 1),
    gain=100.0,
    offset=50.0,
    readout_mode="low noise",
    exposure_s=300.0,
    sensor_deg_c=-10.0,
    rotation_deg=12.0,
    focal_length_mm=530.0,
    night=NIGHT,
)


def library(*frames: tuple[str, FrameType, dict[str, Any]], **tolerances: Any) -> Library:
    filed = [FiledFrame(path, kind, replace(LIGHT, **facts)) for path, kind, facts in frames]
    return Library(filed, Tolerances(**tolerances))


def paths(answer: Match | Missing) -> tuple[str, ...]:
    assert isinstance(answer, Match), answer
    return answer.paths


def nights_later(nights: int) -> dict[str, date]:
    return {"night": NIGHT + timedelta(nights)}


OTHER_SENSOR = [
    {"camera": "Lantern 9"},
    {"camera_serial": "0043"},
    {"size_px": (3000, 2000)},
    {"binning": (2, 2)},
    {"gain": 0.0},
    {"offset": 10.0},
    {"readout_mode": "fast"},
]
OTHER_OPTICS = [
    {"filter_name": "OIII"},
    {"telescope": "Short Tom"},
    {"rotation_deg": 15.0},
    {"rotation_deg": 300.0},
    {"focal_length_mm": 400.0},
]


@pytest.mark.parametrize(
    ("kind", "facts"),
    [
        *[(kind, facts) for kind in (DARK, DARK_FLAT, BIAS) for facts in OTHER_SENSOR],
        *[(FLAT, facts) for facts in OTHER_SENSOR[:4] + OTHER_OPTICS],
        (DARK, {"exposure_s": 180.0}),
        (DARK, {"exposure_s": None}),
        (DARK, {"sensor_deg_c": -5.0}),
        (DARK_FLAT, {"exposure_s": 180.0}),
        (DARK_FLAT, {"sensor_deg_c": -5.0}),
    ],
)
def test_a_frame_that_was_taken_otherwise_does_not_fit(kind: FrameType, facts: dict[str, Any]) -> None:
    assert isinstance(library(("x", kind, facts)).match(kind, LIGHT), Missing)
    assert paths(library(("x", kind, facts), ("y", kind, {})).match(kind, LIGHT)) == ("y",)


@pytest.mark.parametrize(
    ("kind", "facts"),
    [
        (DARK, {"filter_name": "L", "telescope": "cap", "rotation_deg": 90.0, "focal_length_mm": None}),
        (DARK, {"exposure_s": 302.0, "sensor_deg_c": -10.9}),
        (DARK, {"camera": "LANTERN  26"}),
        (BIAS, {"exposure_s": 0.0, "sensor_deg_c": 20.0, "filter_name": "L"}),
        (FLAT, {"gain": 0.0, "offset": 0.0, "exposure_s": 2.0, "sensor_deg_c": 5.0, "readout_mode": "fast"}),
        (FLAT, {"rotation_deg": 10.0, "focal_length_mm": 525.0}),
        (DARK_FLAT, {"exposure_s": 310.0}),
    ],
)
def test_what_makes_no_difference_or_little_fits(kind: FrameType, facts: dict[str, Any]) -> None:
    assert paths(library(("x", kind, facts)).match(kind, LIGHT)) == ("x",)


def test_a_narrow_filter_takes_no_flats_of_a_wider_one_and_says_what_it_lacks() -> None:
    need = replace(LIGHT, filter_width_nm=3.0)
    answer = library(("wide", FLAT, {"filter_width_nm": 7.0})).match(FLAT, need)
    assert isinstance(answer, Missing)
    assert "no flat for Ha 3 nm" in answer.why
    assert "filter width 7 nm instead of 3 nm" in answer.why
    both = library(("wide", FLAT, {"filter_width_nm": 7.0}), ("same", FLAT, {"filter_width_nm": 3.0}))
    match = both.match(FLAT, need)
    assert paths(match) == ("same",)
    assert isinstance(match, Match)
    assert "Ha 3 nm" in match.why
    assert match.not_checked == ()


def test_a_width_that_one_side_alone_names_is_told_and_gives_way_to_one_that_both_name() -> None:
    need = replace(LIGHT, filter_width_nm=3.0)
    alone = library(("plain", FLAT, {})).match(FLAT, need)
    assert paths(alone) == ("plain",)
    assert isinstance(alone, Match)
    assert alone.not_checked == ("filter width",)
    assert paths(
        library(("plain", FLAT, {}), ("same", FLAT, {"filter_width_nm": 3.0})).match(FLAT, need)
    ) == ("same",)
    neither = library(("plain", FLAT, {})).match(FLAT, LIGHT)
    assert isinstance(neither, Match)
    assert neither.not_checked == ()


def test_the_width_of_a_filter_makes_no_difference_to_darks_and_bias() -> None:
    for kind in (DARK, DARK_FLAT, BIAS):
        answer = library(("x", kind, {"filter_width_nm": 7.0})).match(
            kind, replace(LIGHT, filter_width_nm=3.0)
        )
        assert paths(answer) == ("x",)


def test_only_frames_of_the_type_asked_for_fit() -> None:
    everything = library(*[(kind.value, kind, {}) for kind in CALIBRATION])
    for kind in CALIBRATION:
        assert paths(everything.match(kind, LIGHT)) == (kind.value,)


def test_a_limit_is_met_by_what_is_exactly_that_far_away() -> None:
    tight = {"exposure_relative": 0.0, "exposure_s": 0.1}
    assert paths(library(("x", DARK, {"exposure_s": 300.1}), **tight).match(DARK, LIGHT)) == ("x",)
    assert isinstance(library(("x", DARK, {"exposure_s": 300.11}), **tight).match(DARK, LIGHT), Missing)


def test_tolerances_can_be_widened() -> None:
    warm = ("warm", DARK, {"sensor_deg_c": -5.0})
    assert paths(library(warm, sensor_deg_c=5.0).match(DARK, LIGHT)) == ("warm",)


def test_of_the_exposures_that_fit_only_the_nearest_is_taken() -> None:
    answer = library(("302", DARK, {"exposure_s": 302.0}), ("301", DARK, {"exposure_s": 301.0})).match(
        DARK, LIGHT
    )
    assert paths(answer) == ("301",)


def test_two_libraries_of_near_temperatures_are_not_mixed() -> None:
    frames = [(f"{deg_c}", DARK, {"sensor_deg_c": deg_c}) for deg_c in (-11.0, -10.1, -10.0, -9.9)]
    answer = library(*frames).match(DARK, replace(LIGHT, sensor_deg_c=-10.4))
    assert set(paths(answer)) == {"-10.1", "-10.0", "-9.9"}


def test_a_library_made_over_several_nights_is_taken_together_and_an_old_one_left() -> None:
    frames = [(f"{nights}", DARK, nights_later(nights)) for nights in (-400, -12, -10, -8)]
    assert paths(library(*frames).match(DARK, LIGHT)) == ("-12", "-10", "-8")
    assert paths(library(*frames, library_nights=0).match(DARK, LIGHT)) == ("-8",)


def test_flats_come_from_the_nearest_night_before_or_after() -> None:
    frames = [(f"{nights}", FLAT, nights_later(nights)) for nights in (-30, -3, 2, 40)]
    assert paths(library(*frames).match(FLAT, LIGHT)) == ("2",)
    assert paths(library(*frames, ("0", FLAT, {})).match(FLAT, LIGHT)) == ("0",)


def test_of_two_nights_as_near_the_flats_of_the_one_before_are_taken() -> None:
    assert paths(library(("+", FLAT, nights_later(3)), ("-", FLAT, nights_later(-3))).match(FLAT, LIGHT)) == (
        "-",
    )


def test_flats_too_many_nights_away_are_missing_where_a_limit_is_set() -> None:
    answer = library(("x", FLAT, nights_later(-71)), flat_nights=30).match(FLAT, LIGHT)
    assert isinstance(answer, Missing)
    assert answer.why == (
        "no flat for Ha, telescope Long Tom, rotation 12° near 2026-03-14;"
        " nearest 2026-01-02 (71 nights before)"
    )
    assert paths(library(("x", FLAT, nights_later(-30)), flat_nights=30).match(FLAT, LIGHT)) == ("x",)


def test_lights_without_a_night_get_the_latest_flats() -> None:
    frames = [(f"{nights}", FLAT, nights_later(nights)) for nights in (-30, 2)]
    assert paths(library(*frames).match(FLAT, replace(LIGHT, night=None))) == ("2",)


def test_frames_without_a_night_are_taken_last() -> None:
    undated, old = ("undated", FLAT, {"night": None}), ("old", FLAT, nights_later(-300))
    assert paths(library(undated, old).match(FLAT, LIGHT)) == ("old",)
    answer = library(undated).match(FLAT, LIGHT)
    assert paths(answer) == ("undated",)
    assert "night not known" in answer.why


def test_flats_across_the_meridian_fit_and_it_is_said() -> None:
    answer = library(("x", FLAT, {"rotation_deg": 191.0})).match(FLAT, LIGHT)
    assert paths(answer) == ("x",)
    assert "turned by 180°" in answer.why
    assert paths(library(("x", FLAT, {"rotation_deg": 359.0})).match(FLAT, replace(LIGHT, rotation_deg=0.5)))


@pytest.mark.parametrize(
    ("need", "have", "fits"),
    [
        ({"rotator_deg": 87.0}, {"rotator_deg": 88.0}, True),
        ({"rotator_deg": 87.0}, {"rotator_deg": 267.0}, False),
        ({"rotator_deg": 359.5}, {"rotator_deg": 0.5}, True),
        ({"rotator_deg": 87.0, "rotation_deg": 12.0}, {"rotator_deg": 87.0, "rotation_deg": 40.0}, True),
        ({"rotator_deg": 87.0, "rotation_deg": 12.0}, {"rotator_deg": 120.0, "rotation_deg": 12.0}, False),
        ({"rotator_deg": 87.0, "rotation_deg": 12.0}, {"rotation_deg": 192.0}, True),
        ({"rotator_deg": 87.0, "rotation_deg": 12.0}, {"rotation_deg": 87.0}, False),
        ({"rotator_deg": 87.0, "rotation_deg": None}, {"rotation_deg": 12.0}, True),
    ],
)
def test_a_rotator_s_angle_is_compared_with_a_rotator_s_and_the_sky_s_with_the_sky_s(
    need, have, fits
) -> None:
    answer = library(("x", FLAT, have)).match(FLAT, replace(LIGHT, **need))
    assert isinstance(answer, Match) == fits


def test_rotations_that_are_not_alike_are_said_not_to_be_checked() -> None:
    answer = library(("x", FLAT, {"rotation_deg": 12.0})).match(
        FLAT, replace(LIGHT, rotation_deg=None, rotator_deg=87.0)
    )
    assert isinstance(answer, Match)
    assert answer.not_checked == ("rotation",)


def test_an_answer_shows_the_rotation_that_was_compared() -> None:
    turned = {"rotator_deg": 88.0, "rotation_deg": 200.0}
    need = replace(LIGHT, rotator_deg=87.0, rotation_deg=12.0)
    by_rotator = library(("x", FLAT, turned)).match(FLAT, need)
    assert by_rotator.why == (
        "1 flat, Ha, telescope Long Tom, rotation 88° (rotator) for 87° (rotator), 530 mm,"
        " of 2026-03-14 (the same night)"
    )
    by_sky = library(("x", FLAT, {"rotation_deg": 13.0})).match(FLAT, need)
    assert "rotation 13° for 12°, 530 mm" in by_sky.why
    missing = library(("x", FLAT, {"rotator_deg": 267.0})).match(FLAT, need)
    assert missing.why.endswith("nearest rotation 267° (rotator)")


def test_a_fact_that_no_header_gives_is_said_not_to_be_checked() -> None:
    answer = library(("x", DARK, {"gain": None, "readout_mode": None})).match(DARK, LIGHT)
    assert isinstance(answer, Match)
    assert answer.not_checked == ("gain", "readout mode")
    assert answer.why.endswith("not checked: gain, readout mode")
    other = library(("x", DARK, {})).match(DARK, replace(LIGHT, sensor_deg_c=None))
    assert isinstance(other, Match)
    assert other.not_checked == ("sensor temperature",)


def test_a_frame_whose_facts_are_known_is_preferred_to_one_whose_are_not() -> None:
    assert paths(library(("unknown", DARK, {"gain": None}), ("known", DARK, {})).match(DARK, LIGHT)) == (
        "known",
    )


def test_a_match_says_what_was_taken_and_why() -> None:
    frames = [(f"{n}", DARK, {"night": date(2026, 2, 1), "sensor_deg_c": -10.1}) for n in range(3)]
    assert library(*frames).match(DARK, LIGHT).why == (
        "3 darks, 300 s, gain 100, −10 °C, of 2026-02-01 (41 nights before)"
    )
    assert library(("x", FLAT, {"rotation_deg": 13.0})).match(FLAT, LIGHT).why == (
        "1 flat, Ha, telescope Long Tom, rotation 13° for 12°, 530 mm, of 2026-03-14 (the same night)"
    )


@pytest.mark.parametrize(
    ("nearest", "said"),
    [
        ({"exposure_s": 180.0}, "nearest 180 s"),
        ({"sensor_deg_c": -5.0}, "nearest −5 °C"),
        ({"sensor_deg_c": 0.0, "exposure_s": 180.0}, "nearest 180 s, 0 °C"),
        ({"gain": 0.0}, "nearest gain 0"),
        ({"offset": 10.0}, "nearest offset 10 instead of 50"),
        ({"binning": (2, 2)}, "nearest binning 2 × 2 instead of 1 × 1"),
        ({"size_px": (3000, 2000)}, "nearest 3000 × 2000 px instead of 6000 × 4000 px"),
        ({"camera": "Lantern 9"}, "nearest camera Lantern 9 instead of Lantern 26"),
        ({"camera_serial": "0043"}, "nearest serial number 0043 instead of 0042"),
    ],
)
def test_what_is_missing_is_said_with_what_comes_nearest(nearest: dict[str, Any], said: str) -> None:
    answer = library(("x", DARK, nearest)).match(DARK, LIGHT)
    assert isinstance(answer, Missing)
    assert answer.why == f"no dark for 300 s, gain 100, −10 °C; {said}"
    assert answer.nearest is not None


def test_the_nearest_is_of_the_same_camera_and_with_the_fewest_differences() -> None:
    answer = library(
        ("other camera", DARK, {"camera": "Lantern 9", "exposure_s": 300.0}),
        ("two differences", DARK, {"gain": 0.0, "exposure_s": 300.0}),
        ("far", DARK, {"exposure_s": 60.0}),
        ("near", DARK, {"exposure_s": 240.0}),
    ).match(DARK, LIGHT)
    assert isinstance(answer, Missing)
    assert answer.why.endswith("nearest 240 s")


@pytest.mark.parametrize("kind", [DARK, FLAT, DARK_FLAT, BIAS])
def test_a_serial_number_that_only_one_side_has_is_not_checked_and_one_that_none_has_is_no_matter(
    kind,
) -> None:
    unnumbered = library(("x", kind, {"camera_serial": None}))
    answer = unnumbered.match(kind, LIGHT)
    assert isinstance(answer, Match)
    assert answer.not_checked == ("camera serial",)
    assert unnumbered.match(kind, replace(LIGHT, camera_serial=None)).not_checked == ()


def test_another_camera_of_the_same_model_is_less_like_than_another_setting() -> None:
    other, same = {"camera_serial": "0043"}, {"gain": 0.0, "offset": 10.0}
    answer = library(("other", DARK, other), ("same", DARK, same)).match(DARK, LIGHT)
    assert answer.why.endswith("nearest gain 0, offset 10 instead of 50")


def many(name: str, count: int, kind: FrameType, **facts: Any) -> list[tuple[str, FrameType, dict[str, Any]]]:
    return [(f"{name} {number}", kind, facts) for number in range(count)]


def taken(answer: Match | Missing) -> dict[str, int]:
    """Count the frames that were taken by their names' first word."""
    return Counter(path.split()[0] for path in paths(answer))


def test_two_flats_of_the_next_night_do_not_beat_a_full_set_nearby_and_that_is_said() -> None:
    few, full = many("few", 2, FLAT, **nights_later(1)), many("full", 20, FLAT, **nights_later(-6))
    answer = library(*few, *full).match(FLAT, LIGHT)
    assert taken(answer) == {"full": 20}
    assert answer.why.endswith(
        "of 2026-03-08 (6 nights before); passed over: 2 flats, rotation 12°, 530 mm, of 2026-03-15,"
        " nearer but fewer than 5"
    )
    assert taken(library(*few, *full, least_count=2).match(FLAT, LIGHT)) == {"few": 2}


def test_a_set_of_five_is_full_and_four_are_too_few() -> None:
    full = many("full", 20, FLAT, **nights_later(-6))
    assert taken(library(*many("five", 5, FLAT), *full).match(FLAT, LIGHT)) == {"five": 5}
    assert taken(library(*many("four", 4, FLAT), *full).match(FLAT, LIGHT)) == {"full": 20}


@pytest.mark.parametrize(("nights", "word"), [(31, "full"), (32, "few"), (-31, "full"), (-32, "few")])
def test_a_full_set_of_flats_a_month_farther_away_is_not_nearby(nights: int, word: str) -> None:
    few, full = many("few", 2, FLAT, **nights_later(1)), many("full", 20, FLAT, **nights_later(nights))
    assert list(taken(library(*few, *full).match(FLAT, LIGHT))) == [word]


def test_a_full_set_beyond_the_limit_of_nights_does_not_count() -> None:
    few, full = many("few", 2, FLAT, **nights_later(-5)), many("full", 20, FLAT, **nights_later(-12))
    assert taken(library(*few, *full, flat_nights=10).match(FLAT, LIGHT)) == {"few": 2}


def test_of_several_full_sets_nearby_the_nearest_is_taken() -> None:
    few = many("few", 2, FLAT, **nights_later(1))
    full = [each for nights in (-20, -6, 15) for each in many(f"{nights}", 9, FLAT, **nights_later(nights))]
    assert taken(library(*few, *full).match(FLAT, LIGHT)) == {"-6": 9}


def test_flats_of_two_nights_in_a_row_are_not_mixed() -> None:
    frames = [*many("2", 9, FLAT, **nights_later(2)), *many("3", 9, FLAT, **nights_later(3))]
    assert taken(library(*frames).match(FLAT, LIGHT)) == {"2": 9}


def test_a_light_without_a_night_takes_flats_whatever_the_limit() -> None:
    assert paths(library(("x", FLAT, {}), flat_nights=0).match(FLAT, replace(LIGHT, night=None))) == ("x",)


def test_a_set_of_darks_reaches_half_the_tolerance_to_either_side() -> None:
    frames = [("-10.0", DARK, {}), ("-10.5", DARK, {"sensor_deg_c": -10.5})]
    assert paths(library(*frames).match(DARK, LIGHT)) == ("-10.0", "-10.5")
    farther = ("-10.6", DARK, {"sensor_deg_c": -10.6})
    assert paths(library(frames[0], farther).match(DARK, LIGHT)) == ("-10.0",)


def test_of_two_full_sets_the_nearer_temperature_is_taken() -> None:
    few = many("few", 2, DARK)
    sets = [*many("colder", 9, DARK, sensor_deg_c=-10.6), *many("warmer", 9, DARK, sensor_deg_c=-9.2)]
    assert taken(library(*few, *sets).match(DARK, LIGHT)) == {"colder": 9}


def test_what_is_part_of_the_full_set_is_not_passed_over() -> None:
    sets = [*many("at", 2, DARK), *many("at", 1, DARK, sensor_deg_c=-10.5)]
    answer = library(*sets, *many("full", 20, DARK, sensor_deg_c=-10.9)).match(DARK, LIGHT)
    assert taken(answer) == {"at": 3, "full": 20}
    assert "passed over" not in answer.why


def test_darks_without_a_temperature_serve_where_there_are_no_others_and_that_is_said() -> None:
    answer = library(*many("x", 3, DARK, sensor_deg_c=None)).match(DARK, LIGHT)
    assert taken(answer) == {"x": 3}
    assert answer.not_checked == ("sensor temperature",)


def test_a_light_and_darks_without_a_temperature_go_together() -> None:
    answer = library(*many("x", 3, DARK, sensor_deg_c=None)).match(DARK, replace(LIGHT, sensor_deg_c=None))
    assert taken(answer) == {"x": 3}
    assert answer.why.endswith("not checked: sensor temperature")


def test_a_light_without_a_temperature_prefers_darks_that_have_one() -> None:
    frames = [*many("none", 9, DARK, sensor_deg_c=None), *many("cool", 3, DARK)]
    assert taken(library(*frames).match(DARK, replace(LIGHT, sensor_deg_c=None))) == {"cool": 3}


def test_where_no_set_is_full_the_nearest_is_taken_and_nothing_is_said_of_the_others() -> None:
    near, far = many("near", 2, FLAT, **nights_later(1)), many("far", 4, FLAT, **nights_later(-6))
    answer = library(*near, *far).match(FLAT, LIGHT)
    assert taken(answer) == {"near": 2}
    assert "passed over" not in answer.why


def test_two_darks_at_the_very_temperature_do_not_beat_a_full_set_that_fits() -> None:
    few, full = many("few", 2, DARK), many("full", 20, DARK, sensor_deg_c=-10.8)
    answer = library(*few, *full).match(DARK, LIGHT)
    assert taken(answer) == {"full": 20}
    assert "passed over: 2 darks, 300 s, −10 °C, of 2026-03-14, nearer but fewer than 5" in answer.why


def test_one_dark_of_the_very_exposure_does_not_beat_a_full_set_that_fits() -> None:
    answer = library(*many("one", 1, DARK), *many("full", 20, DARK, exposure_s=301.0)).match(DARK, LIGHT)
    assert taken(answer) == {"full": 20}
    assert "passed over: 1 dark, 300 s, −10 °C, of 2026-03-14, nearer" in answer.why


@pytest.mark.parametrize("kind", [DARK, DARK_FLAT, BIAS])
def test_a_few_frames_of_tonight_do_not_beat_a_library_of_months_ago(kind: FrameType) -> None:
    few, full = many("few", 2, kind), many("full", 20, kind, **nights_later(-180))
    assert taken(library(*few, *full).match(kind, LIGHT)) == {"full": 20}
    older = many("full", 20, kind, **nights_later(-181))
    assert taken(library(*few, *older).match(kind, LIGHT)) == {"few": 2}


def test_a_light_without_a_temperature_takes_one_temperature_and_that_is_said() -> None:
    frames = [
        *many("cold", 6, DARK, sensor_deg_c=-20.0),
        *many("cool", 9, DARK, sensor_deg_c=-10.0),
        *many("cool", 1, DARK, sensor_deg_c=-9.8),
        *many("warm", 6, DARK, sensor_deg_c=5.0),
    ]
    answer = library(*frames).match(DARK, replace(LIGHT, sensor_deg_c=None))
    assert taken(answer) == {"cool": 10}
    assert answer.not_checked == ("sensor temperature",)
    assert answer.why.endswith("of the sets at −20 to 5 °C, that at −10 °C has the most frames")


def test_a_light_without_a_temperature_takes_all_of_the_only_one_without_a_word() -> None:
    answer = library(*many("cool", 9, DARK), *many("cool", 1, DARK, sensor_deg_c=-9.8)).match(
        DARK, replace(LIGHT, sensor_deg_c=None)
    )
    assert taken(answer) == {"cool": 10}
    assert answer.why.endswith("not checked: sensor temperature")


def test_flats_older_than_400_nights_are_missing_unless_more_are_allowed() -> None:
    old = ("old", FLAT, nights_later(-401))
    answer = library(old).match(FLAT, LIGHT)
    assert isinstance(answer, Missing)
    assert answer.why.endswith("nearest 2025-02-06 (401 nights before)")
    assert paths(library(old, flat_nights=500).match(FLAT, LIGHT)) == ("old",)
    assert paths(library(("x", FLAT, nights_later(-400))).match(FLAT, LIGHT)) == ("x",)


def test_darks_that_fit_the_flats_serve_as_dark_flats_and_that_is_said() -> None:
    flat = replace(LIGHT, exposure_s=2.0)
    darks = many("dark", 12, DARK, exposure_s=2.0)
    answer = library(*darks).match(DARK_FLAT, flat)
    assert taken(answer) == {"dark": 12}
    assert answer.why == (
        "12 darks, 2 s, gain 100, −10 °C, of 2026-03-14 (the same night); they serve as dark flats"
    )
    assert taken(library(*darks, ("own", DARK_FLAT, {"exposure_s": 2.1})).match(DARK_FLAT, flat)) == {
        "own": 1
    }


def test_darks_that_serve_as_dark_flats_are_passed_over_as_darks() -> None:
    few = many("few", 2, DARK, exposure_s=2.0)
    full = many("full", 9, DARK, exposure_s=2.0, **nights_later(-90))
    answer = library(*few, *full).match(DARK_FLAT, replace(LIGHT, exposure_s=2.0))
    assert taken(answer) == {"full": 9}
    assert "; they serve as dark flats; passed over: 2 darks, 2 s" in answer.why


@pytest.mark.parametrize(
    "facts",
    [{"exposure_s": 5.0}, {"gain": 0.0}, {"offset": 10.0}, {"binning": (2, 2)}, {"sensor_deg_c": 5.0}],
)
def test_darks_that_were_taken_otherwise_are_no_dark_flats(facts: dict[str, Any]) -> None:
    answer = library(("x", DARK, {"exposure_s": 2.0} | facts)).match(
        DARK_FLAT, replace(LIGHT, exposure_s=2.0)
    )
    assert isinstance(answer, Missing)
    assert answer.why.endswith("there are no dark flats")


def test_another_camera_is_less_like_than_any_other_setting_of_the_same() -> None:
    other, same = {"camera": "Lantern 9"}, {"gain": 0.0, "offset": 10.0}
    answer = library(("other", DARK, other), ("same", DARK, same)).match(DARK, LIGHT)
    assert answer.why.endswith("nearest gain 0, offset 10 instead of 50")


def test_a_library_without_a_type_says_so() -> None:
    answer = library(("x", FLAT, {})).match(DARK, LIGHT)
    assert answer == Missing(DARK, "no dark for 300 s, gain 100, −10 °C; there are no darks")
    assert library().match(BIAS, Setup()).why == "no bias for what no header says; there are no bias frames"


def test_no_dark_is_chosen_for_an_exposure_that_is_not_known() -> None:
    answer = library(("x", DARK, {})).match(DARK, replace(LIGHT, exposure_s=None))
    assert answer == Missing(DARK, "no dark can be chosen: the exposure of the lights is not known")
    assert "of the flats" in library().match(DARK_FLAT, Setup()).why


def maybe(values: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | values


SETUPS = st.builds(
    Setup,
    camera=maybe(st.sampled_from(["a", "b"])),
    filter_name=maybe(st.sampled_from(["L", "R"])),
    gain=maybe(st.sampled_from([0.0, 100.0])),
    exposure_s=maybe(st.sampled_from([0.0, 1.0, 1.005, 300.0, 301.0])),
    sensor_deg_c=maybe(st.sampled_from([-11.0, -10.0, -9.5, 20.0])),
    rotation_deg=maybe(st.sampled_from([0.0, 1.0, 181.0, 359.5])),
    night=maybe(st.integers(0, 60).map(lambda days: NIGHT + timedelta(days))),
)


@given(SETUPS, st.lists(SETUPS, max_size=12), st.sampled_from(CALIBRATION))
def test_whatever_the_facts_an_answer_says_why_and_takes_frames_of_the_library(need, setups, kind) -> None:
    frames = [FiledFrame(str(index), kind, setup) for index, setup in enumerate(setups)]
    answer = Library(frames).match(kind, need)
    assert answer.why
    if isinstance(answer, Match):
        assert answer.groups
        assert set(answer.paths) <= {frame.path for frame in frames}
        assert len(set(answer.paths)) == len(answer.paths)
    alone = [Library([frame]).match(kind, need) for frame in frames]
    assert isinstance(answer, Match) == any(isinstance(one, Match) for one in alone)
