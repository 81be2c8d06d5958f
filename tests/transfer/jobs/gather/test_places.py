from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.calibration.criteria import rotation_apart_deg
from manifests.frames.calibration.setups import Setup
from manifests.frames.frame import Frame, FrameType
from manifests.frames.frame_sky import FrameSky
from manifests.index.frame_query import FrameRow
from transfer.jobs.gather.archive_frames import ArchiveFrame
from transfer.jobs.gather.places import folders, told_apart

SETUP = Setup(
    camera="Lantern 26",
    telescope="Long Tom",
    filter_name="Ha",
    size_px=(6248, 4176),
    binning=(1, 1),
    gain=100.0,
    offset=30.0,
    readout_mode="low noise",
    exposure_s=300.0,
    sensor_deg_c=-10.0,
    rotation_deg=12.0,
    focal_length_mm=530.0,
    night=date(2026, 3, 14),
)


def frame(
    kind: FrameType = FrameType.LIGHT,
    target: str | None = "M 33",
    filter_name: str | None = "Ha",
    **facts: Any,
) -> ArchiveFrame:
    setup = replace(SETUP, **facts)
    row = FrameRow(
        bag="bag",
        path="data/a.fits",
        night=date(2026, 3, 14),
        target=target,
        filter=filter_name,
        size_bytes=1,
        sha256="",
        frame=Frame(),
        sky=FrameSky(),
        field_deg=None,
        findings=(),
        absent=False,
    )
    return ArchiveFrame(f"{kind} {target} {setup}", kind, setup, row)


def laid(*frames: ArchiveFrame, rotation_deg: float = 2.0) -> list[str]:
    into = folders(frames, rotation_deg)
    return [into[each.path] for each in frames]


@pytest.mark.parametrize(
    ("kind", "where"),
    [
        (FrameType.LIGHT, "lights/M 33/Ha/2026-03-14"),
        (FrameType.DARK, "darks/300s gain 100 -10C"),
        (FrameType.FLAT, "flats/Ha/2026-03-14"),
        (FrameType.DARK_FLAT, "dark flats/300s gain 100 -10C"),
        (FrameType.BIAS, "bias/gain 100 offset 30"),
    ],
)
def test_each_type_has_its_place(kind: FrameType, where: str) -> None:
    assert laid(frame(kind)) == [where]


def test_a_fact_by_which_frames_of_one_place_differ_tells_them_apart() -> None:
    assert laid(frame(), frame(exposure_s=60.0)) == [
        "lights/M 33/Ha/2026-03-14 300s",
        "lights/M 33/Ha/2026-03-14 60s",
    ]
    assert laid(frame(FrameType.DARK), frame(FrameType.DARK, camera="Lantern 9")) == [
        "darks/300s gain 100 -10C Lantern 26",
        "darks/300s gain 100 -10C Lantern 9",
    ]
    assert laid(frame(FrameType.FLAT), frame(FrameType.FLAT, binning=(2, 2))) == [
        "flats/Ha/2026-03-14 bin 1x1",
        "flats/Ha/2026-03-14 bin 2x2",
    ]


def test_what_differs_only_between_filters_tells_nothing_apart() -> None:
    assert laid(frame(), frame(filter_name="L", exposure_s=60.0)) == [
        "lights/M 33/Ha/2026-03-14",
        "lights/M 33/L/2026-03-14",
    ]


def test_lights_lie_apart_where_their_flats_must() -> None:
    assert laid(frame(), frame(rotation_deg=12.9), frame(rotation_deg=90.0)) == [
        "lights/M 33/Ha/2026-03-14 rotation 12",
        "lights/M 33/Ha/2026-03-14 rotation 12",
        "lights/M 33/Ha/2026-03-14 rotation 90",
    ]
    assert laid(frame(), frame(rotation_deg=192.4)) == ["lights/M 33/Ha/2026-03-14"] * 2


def test_half_a_turn_of_a_rotator_lies_apart_and_its_sky_s_angle_does_not_count() -> None:
    assert laid(
        frame(rotator_deg=87.0, rotation_deg=12.0),
        frame(rotator_deg=88.0, rotation_deg=192.0),
        frame(rotator_deg=267.0, rotation_deg=12.0),
    ) == [
        "lights/M 33/Ha/2026-03-14 rotator 87",
        "lights/M 33/Ha/2026-03-14 rotator 87",
        "lights/M 33/Ha/2026-03-14 rotator 267",
    ]
    assert laid(frame(rotator_deg=87.0), frame(rotator_deg=88.0)) == ["lights/M 33/Ha/2026-03-14"] * 2
    assert laid(frame(rotator_deg=359.5), frame(rotator_deg=0.5)) == ["lights/M 33/Ha/2026-03-14"] * 2


def test_where_not_all_have_a_rotator_the_sky_s_angle_tells_them_apart() -> None:
    assert laid(frame(rotator_deg=87.0, rotation_deg=12.0), frame(rotation_deg=40.0)) == [
        "lights/M 33/Ha/2026-03-14 rotation 12",
        "lights/M 33/Ha/2026-03-14 rotation 40",
    ]
    assert laid(frame(rotator_deg=87.0, rotation_deg=None), frame(rotation_deg=40.0)) == [
        "lights/M 33/Ha/2026-03-14 rotator 87",
        "lights/M 33/Ha/2026-03-14 rotation 40",
    ]


def test_two_cameras_of_one_model_lie_apart_by_their_serial_numbers() -> None:
    darks = [frame(FrameType.DARK, camera_serial=serial) for serial in ("0042", "0043")]
    assert laid(*darks) == [
        "darks/300s gain 100 -10C serial 0042",
        "darks/300s gain 100 -10C serial 0043",
    ]
    assert laid(darks[0]) == ["darks/300s gain 100 -10C"]


def test_darks_know_no_rotation() -> None:
    assert laid(frame(FrameType.DARK), frame(FrameType.DARK, rotation_deg=90.0)) == [
        "darks/300s gain 100 -10C",
        "darks/300s gain 100 -10C",
    ]


def test_what_no_header_says_is_left_out() -> None:
    assert laid(frame(FrameType.BIAS, gain=None, offset=None)) == ["bias"]
    assert laid(frame(filter_name=None)) == ["lights/M 33/filter not given/2026-03-14"]


@pytest.mark.parametrize(
    ("target", "folder"),
    [
        ("../x", "_._x"),
        ("CON", "_CON"),
        ("a/b\\c", "a_b_c"),
        ("x" * 300, None),
        ("M 31: core?", "M 31_ core_"),
    ],
)
def test_no_name_leads_elsewhere_or_is_one_that_a_system_refuses(target: str, folder: str | None) -> None:
    (where,) = laid(frame(target=target, filter_name="nul"))
    top, name, filter_folder, _ = where.split("/")
    assert (top, filter_folder) == ("lights", "_nul")
    assert len(name) <= 240
    assert name not in (".", "..")
    if folder is not None:
        assert name == folder


@pytest.mark.parametrize("kind", [FrameType.LIGHT, FrameType.FLAT])
def test_filters_of_one_line_and_several_widths_lie_apart(kind: FrameType) -> None:
    narrow, wide = (frame(kind, filter_width_nm=width) for width in (3.0, 7.0))
    of_narrow, of_wide = laid(narrow, wide)
    assert of_narrow.endswith("2026-03-14 3nm")
    assert of_wide.endswith("2026-03-14 7nm")
    assert laid(narrow)[0].endswith("2026-03-14")


def test_what_jitters_is_one_rotation() -> None:
    assert set(told_apart([89.4, 89.6, 90.4], 2, 180).values()) == {89}


def test_what_is_farther_apart_than_the_tolerance_is_told_apart() -> None:
    assert told_apart([12.0, 90.0, 13.0], 2, 180) == {12.0: 12, 13.0: 12, 90.0: 90}


def test_half_a_turn_makes_no_difference() -> None:
    assert set(told_apart([12.0, 192.5], 2, 180).values()) == {12}


def test_the_same_rotation_on_both_sides_of_zero_is_one() -> None:
    assert len(set(told_apart([179.5, 0.3, 359.9, 90.0], 2, 180).values())) == 2


def test_nothing_known_is_nothing_to_tell_apart() -> None:
    assert told_apart([], 2, 180) == {}


@given(st.lists(st.floats(-720, 720), max_size=12), st.floats(0, 20))
def test_two_within_the_tolerance_always_share_a_number(rotations: list[float], tolerance: float) -> None:
    numbers = told_apart(rotations, tolerance, 180)
    for one in rotations:
        for other in rotations:
            if rotation_apart_deg(one, other) < tolerance - 1e-9:
                assert numbers[one] == numbers[other]
