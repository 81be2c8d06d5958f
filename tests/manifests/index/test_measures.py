"""Measures in the index: kept by content, found with their frames, filtered and sorted by."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.index.faults import IndexDamaged
from manifests.index.frame_query import Between, FrameQuery, Measured, Order
from manifests.index.frames import frames, total
from manifests.index.measures import keep_measures
from manifests.index.opening import Index, open_index


def measures(stars: int, size_px: float = 3.0, **others: Any) -> FrameMeasures:
    return FrameMeasures(1000.0 + stars, 20.0, stars, size_px, 1.1, 30.0, 0, **others)


@pytest.fixture
def lights(archive: Any, make: Any) -> list[Any]:
    lights = [make.light(number) for number in (1, 2, 3)]
    lights[2] = make.framed(lights[2], focal_length_mm=None)
    archive.write("NGC 7331", lights)
    archive.rebuild()
    return lights


@pytest.fixture
def index(archive: Any, lights: list[Any]) -> Any:
    with open_index(archive.index_path, write=True) as index:
        keep_measures(
            index,
            {
                lights[0].digests.sha256: measures(300, 2.5),
                lights[2].digests.sha256: replace(measures(200, 4.0), elongation=1.3, noise_adu=19.0),
            },
        )
        yield index


def found(index: Index, **asked: Any) -> list[str]:
    return [row.path[-6] for row in frames(index, FrameQuery(**asked))]


def test_a_frame_comes_with_its_measures_or_with_none(index: Index) -> None:
    rows = list(frames(index, FrameQuery()))
    assert [row.measures for row in rows] == [
        measures(300, 2.5),
        None,
        replace(measures(200, 4.0), elongation=1.3, noise_adu=19.0),
    ]


def test_the_size_on_the_sky_follows_from_pixel_and_focal_length(index: Index) -> None:
    scale = 206.264806 * 3.76 / 480
    sizes = [row.size_arcsec for row in frames(index, FrameQuery())]
    assert sizes == [pytest.approx(2.5 * scale, rel=1e-8), None, None]


@pytest.mark.parametrize(
    ("measure", "between", "fitting"),
    [
        (Measured.STARS, Between(300, None), "1"),
        (Measured.STARS, Between(None, 299), "3"),
        (Measured.SIZE_PX, Between(2.0, 4.0), "13"),
        (Measured.SIZE_ARCSEC, Between(None, 99.0), "1"),
        (Measured.SIZE_ARCSEC, Between(4.1, None), ""),
        (Measured.ELONGATION, Between(1.2, None), "3"),
        (Measured.BACKGROUND_ADU, Between(1300, None), "1"),
        (Measured.NOISE_ADU, Between(None, 20), "13"),
    ],
)
def test_a_range_leaves_out_what_is_outside_or_not_measured(
    index: Index, measure: Measured, between: Between[float], fitting: str
) -> None:
    asked = FrameQuery(measured={measure: between})
    assert [row.path[-6] for row in frames(index, asked)] == list(fitting)
    assert total(index, asked).frames == len(fitting)


@pytest.mark.parametrize(
    ("order", "path"),
    [
        (Order.STARS, "231"),
        (Order.SIZE, "213"),
        (Order.ELONGATION, "213"),
        (Order.BACKGROUND, "231"),
        (Order.NOISE, "231"),
    ],
)
def test_frames_are_sorted_by_a_measure(index: Index, order: Order, path: str) -> None:
    assert found(index, order=order) == list(path)
    assert found(index, order=order, descending=True, limit=2) == list(path[::-1][:2])


def test_a_measure_that_no_list_can_show_is_damage(index: Index) -> None:
    with index.writing() as connection:
        connection.execute("UPDATE measures SET size_px = 9e999 WHERE stars = 300")
    with pytest.raises(IndexDamaged):
        list(frames(index, FrameQuery()))


def test_what_is_measured_again_takes_the_place_of_the_first(index: Index, lights: list[Any]) -> None:
    keep_measures(index, {lights[0].digests.sha256: measures(7)})
    first = next(frames(index, FrameQuery()))
    assert first.measures == measures(7)
