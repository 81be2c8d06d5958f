"""Questions about frames: each thing that can be asked, in the index of a small archive."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from manifests.bags.entries import Entry
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import FrameType
from manifests.frames.names.angles import separation_deg
from manifests.index.cones import Cone
from manifests.index.frame_query import Between, FrameQuery, Order, total_of
from manifests.index.frames import frames, total

# Tried in test_measures.py, with frames that are measured.
BY_MEASURES = (Order.STARS, Order.SIZE, Order.ELONGATION, Order.BACKGROUND, Order.NOISE)

MARCH_14, MARCH_15, MARCH_20 = date(2026, 3, 14), date(2026, 3, 15), date(2026, 3, 20)


@pytest.fixture
def filed(archive: Any, make: Any) -> Any:
    """An archive of two targets, three nights and the frames that calibrate them."""
    galaxy = [make.light(number, name=name) for number in (1, 2) for name in ("Ha", "OIII")]
    galaxy += [make.light(3, night=MARCH_15)]
    crescent = [make.light(number, "NGC 6888", night=MARCH_20) for number in (1, 2)]
    crescent = [make.under(each, ra_deg=303.03, dec_deg=38.35) for each in crescent]
    archive.write("NGC 7331", galaxy)
    archive.write("NGC 6888", crescent)
    archive.write(
        "calibration",
        [
            make.calibration(1, FrameType.DARK, 300.0),
            make.calibration(2, FrameType.DARK, 60.0),
            make.framed(make.calibration(1, FrameType.FLAT, 2.5, filter="Ha"), camera="Other 9C"),
        ],
    )
    archive.write("nights/2026-03-14", [make.entry("data/logs/weather.csv")])
    archive.rebuild()
    return archive


def found(archive: Any, **asked: Any) -> list[str]:
    return [row.path.rpartition("/")[2].removesuffix(".fits") for row in archive.frames(FrameQuery(**asked))]


def test_all_frames_are_found_and_no_log(filed: Any) -> None:
    assert len(found(filed)) == 10


@pytest.mark.parametrize(
    ("asked", "count"),
    [
        ({"targets": ("NGC 7331",)}, 5),
        ({"targets": ("NGC 7331", "NGC 6888")}, 7),
        ({"targets": ("NGC 7331",), "filters": ("OIII",)}, 2),
        ({"filters": ("Ha",)}, 6),
        ({"nights": Between(MARCH_14, MARCH_14)}, 7),
        ({"nights": Between(MARCH_15, MARCH_20)}, 3),
        ({"nights": Between(MARCH_15)}, 3),
        ({"nights": Between(None, MARCH_15)}, 8),
        ({"frame_types": (FrameType.DARK,)}, 2),
        ({"frame_types": (FrameType.DARK, FrameType.FLAT)}, 3),
        ({"frame_types": (FrameType.BIAS,)}, 0),
        ({"exposure_s": Between(60.0, 60.0)}, 1),
        ({"exposure_s": Between(None, 60.0)}, 2),
        ({"exposure_s": Between(61.0)}, 8),
        ({"cameras": ("Other 9C",)}, 1),
        ({"altitude_deg": Between(42.0)}, 4),
        ({"altitude_deg": Between(None, 41.0)}, 3),
        ({"sun_altitude_deg": Between(-30.0, 0.0)}, 7),
        ({"sun_altitude_deg": Between(-18.0)}, 0),
        ({"cone": Cone(303.0, 38.4, 0.5)}, 2),
        ({"cone": Cone(303.0, 38.4, 40.0)}, 7),
        ({"targets": ("M 33",)}, 0),
    ],
)
def test_frames_are_selected_by_each_thing_that_can_be_asked(filed: Any, asked: Any, count: int) -> None:
    assert len(found(filed, **asked)) == count


def test_conditions_are_all_to_be_fulfilled(filed: Any) -> None:
    asked = {"targets": ("NGC 7331",), "nights": Between(MARCH_14), "altitude_deg": Between(41.5, 42.5)}
    assert found(filed, **asked) == ["NGC 7331 Ha 0002", "NGC 7331 OIII 0002"]


def test_frames_come_in_order_of_time_and_equals_in_order_of_place(filed: Any) -> None:
    assert found(filed, targets=("NGC 7331",)) == [
        "NGC 7331 Ha 0001",
        "NGC 7331 OIII 0001",
        "NGC 7331 Ha 0002",
        "NGC 7331 OIII 0002",
        "NGC 7331 Ha 0003",
    ]


@pytest.mark.parametrize("order", [order for order in Order if order not in BY_MEASURES])
@pytest.mark.parametrize("descending", [False, True])
def test_frames_are_sorted_as_asked(filed: Any, order: Order, descending: bool) -> None:
    key: dict[Order, Callable[[Any], object]] = {
        Order.TIME: lambda row: row.frame.begun_utc,
        Order.NIGHT: lambda row: row.night,
        Order.TARGET: lambda row: row.target,
        Order.FILTER: lambda row: row.filter,
        Order.TYPE: lambda row: row.frame.frame_type,
        Order.EXPOSURE: lambda row: row.frame.exposure_s,
        Order.ALTITUDE: lambda row: row.sky.altitude_deg,
    }
    rows = filed.frames(FrameQuery(frame_types=(FrameType.LIGHT,), order=order, descending=descending))
    keys = [key[order](row) for row in rows]
    assert keys == sorted(keys, reverse=descending)  # type: ignore[type-var]


def test_frames_that_do_not_have_what_they_are_sorted_by_come_first(filed: Any) -> None:
    assert [row.sky.altitude_deg for row in filed.frames(FrameQuery(order=Order.ALTITUDE, limit=4))] == [
        None,
        None,
        None,
        41.0,
    ]


@pytest.mark.parametrize("asked", [{}, {"targets": ("NGC 6888",)}, {"order": Order.TARGET}])
@pytest.mark.parametrize("descending", [False, True])
def test_a_limit_gives_the_first_of_what_there_is(filed: Any, asked: Any, descending: bool) -> None:
    everything = found(filed, descending=descending, **asked)
    for limit in range(len(everything) + 2):
        assert found(filed, descending=descending, limit=limit, **asked) == everything[:limit]


def test_what_is_found_says_what_it_adds_up_to(filed: Any) -> None:
    with filed.open() as index:
        whole = total(index, FrameQuery(targets=("NGC 7331",)))
        high = total(index, FrameQuery(targets=("NGC 7331",), altitude_deg=Between(42.0), limit=1))
    assert (whole.frames, whole.exposure_s, whole.hours) == (5, 1500.0, 1500 / 3600)
    assert (high.frames, high.exposure_s) == (3, 900.0)
    rows = filed.frames(FrameQuery(targets=("NGC 7331",)))
    assert total_of(rows) == whole


@pytest.mark.parametrize("exposure_s", [-300.0, 1e300, None, 86401.0])
def test_an_exposure_that_cannot_be_adds_nothing_to_the_hours(
    archive: Any, make: Any, exposure_s: float | None
) -> None:
    archive.write("NGC 7331", [make.light(1), make.framed(make.light(2), exposure_s=exposure_s)])
    archive.rebuild()
    with archive.open() as index:
        for query in (FrameQuery(), FrameQuery(altitude_deg=Between(0.0))):
            assert (total(index, query).frames, total(index, query).exposure_s) == (2, 300.0)
    assert total_of(archive.frames()).exposure_s == 300.0


def test_frames_are_selected_by_what_was_found_in_them(archive: Any, make: Any) -> None:
    cut = Finding(FindingKind.DATA_CUT_SHORT, "2880 bytes are missing")
    sums = Finding(FindingKind.DATASUM_WRONG, "")
    first, second, third = (make.light(number) for number in (1, 2, 3))
    archive.write(
        "NGC 7331", [replace(first, findings=(cut, sums)), replace(second, findings=(sums,)), third]
    )
    archive.rebuild()
    assert found(archive, findings=(FindingKind.DATA_CUT_SHORT,)) == ["NGC 7331 Ha 0001"]
    assert len(found(archive, findings=(FindingKind.DATASUM_WRONG, FindingKind.NO_DATE))) == 2
    assert len(found(archive, any_finding=True)) == 2
    assert found(archive, findings=(FindingKind.NO_DATE,)) == []
    assert archive.frames()[0].findings == (cut, sums)


def test_frames_of_a_bag_that_is_not_there_say_so_or_are_left_out(filed: Any) -> None:
    (filed.folder / "NGC 6888").rename(filed.folder.parent / "elsewhere")
    filed.bring_up_to_date()
    assert sum(row.absent for row in filed.frames()) == 2
    assert [row.bag for row in filed.frames(FrameQuery(absent=False)) if row.bag == "NGC 6888"] == []
    with filed.open() as index:
        assert (total(index, FrameQuery()).frames, total(index, FrameQuery(absent=False)).frames) == (10, 8)


HOSTILE = [
    "'; DROP TABLE files; --",
    '"',
    "NGC 7331' OR '1'='1",
    "%",
    "_",
    "\\",
    "a\nb",
    "\ud800",
    "☾",
    '["NGC 7331"]',
    ":targets",
    "?",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_that_looks_like_a_statement_is_a_name(filed: Any, name: str) -> None:
    assert found(filed, targets=(name,)) == []
    assert found(filed, filters=(name,), cameras=(name,)) == []
    assert len(found(filed)) == 10


@pytest.mark.parametrize("name", [name for name in HOSTILE if name != "\ud800"])
def test_a_target_with_such_a_name_is_found_by_it(archive: Any, make: Any, name: str) -> None:
    archive.write("bag", [replace(make.light(), target=name, filter=name), make.light(2)])
    archive.rebuild()
    (row,) = archive.frames(FrameQuery(targets=(name,), filters=(name,)))
    assert (row.target, row.filter) == (name, name)


@pytest.fixture(scope="session")
def sky_full(new_archive: Any, make: Any) -> tuple[Any, list[Entry]]:
    """An archive with frames all over the sky, most near the poles and the zero of right ascension."""
    rng = random.Random(7331)
    near = [(0.0, 0.0), (359.9, 20.0), (10.0, 89.9), (200.0, -89.9), (180.0, 45.0)]
    lights = []
    for number in range(240):
        ra_deg, dec_deg = rng.choice(near)
        spread = rng.choice([0.001, 0.3, 5.0, 60.0])
        dec_deg = max(-90.0, min(90.0, dec_deg + rng.uniform(-spread, spread)))
        ra_deg = (ra_deg + rng.uniform(-spread, spread) * rng.choice([1, 60])) % 360
        night = MARCH_14 + timedelta(days=number % 7)
        lights.append(make.under(make.light(number, night=night), ra_deg=ra_deg, dec_deg=dec_deg))
    archive = new_archive()
    archive.write("sky", lights)
    archive.rebuild()
    return archive, lights


@settings(max_examples=60)
@given(
    ra=st.floats(0, 360) | st.sampled_from([0.0, 359.95]),
    dec=st.floats(-90, 90) | st.sampled_from([90.0, -90.0, 89.95]),
    radius=st.floats(0, 180) | st.floats(0, 1),
)
def test_a_cone_finds_what_measuring_every_frame_finds(
    sky_full: tuple[Any, list[Entry]], ra: float, dec: float, radius: float
) -> None:
    archive, lights = sky_full
    rows = {row.path for row in archive.frames(FrameQuery(cone=Cone(ra, dec, radius)))}
    for light in lights:
        apart = separation_deg(ra, dec, light.sky.ra_deg, light.sky.dec_deg)  # type: ignore[union-attr,arg-type]
        if abs(apart - radius) > 1e-6:
            assert (light.path in rows) == (apart < radius)


def test_answers_may_be_left_when_the_index_is_closed(filed: Any) -> None:
    with filed.open() as index:
        rows = frames(index, FrameQuery())
        next(rows)
    rows.close()  # type: ignore[attr-defined]


def test_a_frame_that_is_not_in_use_is_found_and_counts_no_hours(archive: Any, make: Any) -> None:
    archive.write("NGC 7331", [make.light(1), replace(make.light(2), in_use=False)])
    archive.rebuild()
    rows = archive.frames(FrameQuery())
    assert [row.in_use for row in rows] == [True, False]
    assert total_of(rows).exposure_s == 300.0
    with archive.open() as index:
        for asked in (FrameQuery(), FrameQuery(exposure_s=Between(1.0))):
            assert (total(index, asked).frames, total(index, asked).exposure_s) == (2, 300.0)
