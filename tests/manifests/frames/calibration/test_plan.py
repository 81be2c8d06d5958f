import json
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from manifests.frames.calibration.matching import Library
from manifests.frames.calibration.plan import Row, plan_calibration
from manifests.frames.calibration.setups import FiledFrame, Setup
from manifests.frames.frame import FrameType

NIGHT = date(2026, 3, 14)
LIGHT = Setup(
    camera="Lantern 26",
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


def filed(path: str, kind: FrameType, **facts: Any) -> FiledFrame:
    return FiledFrame(path, kind, replace(LIGHT, **facts))


def rows_for(
    lights: list[FiledFrame], *calibration: FiledFrame
) -> dict[tuple[FrameType, FrameType], list[Row]]:
    rows: dict[tuple[FrameType, FrameType], list[Row]] = {}
    for row in plan_calibration(lights, Library(calibration)):
        rows.setdefault((row.of, row.kind), []).append(row)
    return rows


WHOLE = (
    filed("dark", FrameType.DARK),
    filed("flat", FrameType.FLAT, exposure_s=2.0),
    filed("dark flat", FrameType.DARK_FLAT, exposure_s=2.0),
    filed("bias", FrameType.BIAS, exposure_s=0.0),
)
LIGHT_NEEDS = [(FrameType.LIGHT, kind) for kind in (FrameType.DARK, FrameType.FLAT, FrameType.BIAS)]
FLAT_NEEDS = [(FrameType.FLAT, FrameType.DARK_FLAT), (FrameType.FLAT, FrameType.BIAS)]


def test_lights_get_darks_flats_and_bias_and_their_flats_get_dark_flats_and_bias() -> None:
    rows = rows_for([filed("a", FrameType.LIGHT), filed("b", FrameType.LIGHT)], *WHOLE)
    assert list(rows) == LIGHT_NEEDS + FLAT_NEEDS
    assert not any(row.missing for every in rows.values() for row in every)
    assert [every[0].matched for every in rows.values()] == [
        ("dark",),
        ("flat",),
        ("bias",),
        ("dark flat",),
        ("bias",),
    ]
    assert all(rows[need][0].frames == ("a", "b") for need in LIGHT_NEEDS)
    assert all(rows[need][0].frames == ("flat",) for need in FLAT_NEEDS)


def test_dark_flats_are_matched_to_the_flats_exposure_not_the_lights() -> None:
    wrong = filed("wrong", FrameType.DARK_FLAT, exposure_s=300.0)
    (row,) = rows_for([filed("a", FrameType.LIGHT)], *WHOLE, wrong)[FrameType.FLAT, FrameType.DARK_FLAT]
    assert row.matched == ("dark flat",)
    assert row.described == "2 s, gain 100, −10 °C, of 2026-03-14"


def test_lights_that_get_the_same_answer_share_a_row() -> None:
    lights = [filed(f"{n}", FrameType.LIGHT, sensor_deg_c=-10 + n / 10, filter_name="Ha") for n in (-1, 0, 1)]
    later = filed("later", FrameType.LIGHT, night=NIGHT + timedelta(2))
    rows = rows_for([*lights, later], *WHOLE)
    (darks,) = rows[FrameType.LIGHT, FrameType.DARK]
    assert darks.frames == ("-1", "0", "1", "later")
    assert darks.described == "300 s, gain 100, −10 °C, of 2026-03-14 to 2026-03-16"
    assert darks.why == "1 dark, 300 s, gain 100, −10 °C, of 2026-03-14 (up to 2 nights before)"


def test_lights_with_different_needs_have_rows_of_their_own() -> None:
    lights = [filed("a", FrameType.LIGHT), filed("b", FrameType.LIGHT, filter_name="OIII", exposure_s=600.0)]
    rows = rows_for(lights, *WHOLE)
    assert [(row.frames, row.missing) for row in rows[FrameType.LIGHT, FrameType.FLAT]] == [
        (("a",), False),
        (("b",), True),
    ]
    assert (
        rows[FrameType.LIGHT, FrameType.DARK][1].why == "no dark for 600 s, gain 100, −10 °C; nearest 300 s"
    )
    assert rows[FrameType.LIGHT, FrameType.FLAT][1].why == (
        "no flat for OIII, telescope Long Tom, rotation 12°; nearest Ha"
    )


def test_bias_stands_in_for_dark_flats_and_nothing_is_missing() -> None:
    dark, flat, _, bias = WHOLE
    (row,) = rows_for([filed("a", FrameType.LIGHT)], dark, flat, bias)[FrameType.FLAT, FrameType.DARK_FLAT]
    assert not row.missing
    assert row.matched == ()
    assert row.why == (
        "no dark flat for 2 s, gain 100, −10 °C; there are no dark flats;"
        " the bias frames stand in for them, as is common practice"
    )


def test_darks_that_fit_the_flats_serve_as_dark_flats_before_bias_stands_in() -> None:
    dark, flat, _, bias = WHOLE
    short = filed("short dark", FrameType.DARK, exposure_s=2.0)
    rows = rows_for([filed("a", FrameType.LIGHT)], dark, flat, short, bias)
    (row,) = rows[FrameType.FLAT, FrameType.DARK_FLAT]
    assert (row.kind, row.matched, row.missing) == (FrameType.DARK_FLAT, ("short dark",), False)
    assert row.why.endswith("; they serve as dark flats")
    assert rows[FrameType.LIGHT, FrameType.DARK][0].matched == ("dark",)


def test_flats_of_many_exposures_that_bias_stands_in_for_share_a_row() -> None:
    dark, _, _, bias = WHOLE
    flats = [filed(f"flat {n}", FrameType.FLAT, exposure_s=float(n)) for n in (2, 3, 9)]
    (row,) = rows_for([filed("a", FrameType.LIGHT)], dark, *flats, bias)[FrameType.FLAT, FrameType.DARK_FLAT]
    assert row.frames == ("flat 2", "flat 3", "flat 9")
    assert row.why == (
        "no dark flat for 2 to 9 s, gain 100, −10 °C;"
        " the bias frames stand in for them, as is common practice"
    )


def test_without_bias_darks_and_dark_flats_stand_in_and_nothing_is_missing() -> None:
    rows = rows_for([filed("a", FrameType.LIGHT)], *WHOLE[:3])
    assert not any(row.missing for every in rows.values() for row in every)
    assert "the darks stand in" in rows[FrameType.LIGHT, FrameType.BIAS][0].why
    assert "the dark flats stand in" in rows[FrameType.FLAT, FrameType.BIAS][0].why


def test_nothing_stands_in_for_darks_and_flats() -> None:
    rows = rows_for([filed("a", FrameType.LIGHT)], WHOLE[3])
    assert rows[FrameType.LIGHT, FrameType.DARK][0].missing
    assert rows[FrameType.LIGHT, FrameType.FLAT][0].missing
    assert not rows[FrameType.LIGHT, FrameType.BIAS][0].missing


def test_with_neither_bias_nor_dark_flats_both_are_missing() -> None:
    rows = rows_for([filed("a", FrameType.LIGHT)], *WHOLE[:2])
    assert all(rows[need][0].missing for need in FLAT_NEEDS)


def test_frames_that_are_not_lights_need_nothing() -> None:
    assert rows_for([WHOLE[0]], *WHOLE) == {}


def test_a_row_is_json() -> None:
    row = rows_for([filed("a", FrameType.LIGHT)], *WHOLE)[FrameType.LIGHT, FrameType.DARK][0]
    assert json.loads(json.dumps(row.as_json())) == {
        "of": "light",
        "described": "300 s, gain 100, −10 °C, of 2026-03-14",
        "frames": ["a"],
        "kind": "dark",
        "matched": ["dark"],
        "why": "1 dark, 300 s, gain 100, −10 °C, of 2026-03-14 (the same night)",
        "missing": False,
    }


def test_where_several_cameras_took_the_lights_every_row_names_its_camera() -> None:
    other = {"camera": "Lantern 9", "size_px": (3000, 2000)}
    lights = [filed("a", FrameType.LIGHT), filed("b", FrameType.LIGHT, **other)]
    both = [*WHOLE, *(replace(each, path=f"{each.path} 9") for each in WHOLE)]
    library = [
        replace(each, setup=replace(each.setup, **other)) if "9" in each.path else each for each in both
    ]
    rows = [row for every in rows_for(lights, *library).values() for row in every]
    assert {row.described.partition(",")[0] for row in rows} == {"camera Lantern 26", "camera Lantern 9"}
    assert rows[0].described == "camera Lantern 26, 300 s, gain 100, −10 °C, of 2026-03-14"
