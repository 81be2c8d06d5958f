"""Measures in the index: kept by content, found with their frames, filtered and sorted by."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from manifests.findings import FindingKind
from manifests.frames.frame import FrameType, Stage
from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.index.faults import IndexDamaged
from manifests.index.frame_query import Between, FrameQuery, Measured, Order
from manifests.index.frames import frames, total
from manifests.index.measures import _NEXT, frames_to_measure, keep_measures, lack_of_measures
from manifests.index.opening import Index, open_index
from manifests.index.readings import frames_taken, series_of_frames
from manifests.readings.moments import microseconds_of

MARCH_14 = date(2026, 3, 14)


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


# Findings that follow from measures


@pytest.fixture
def clouded(archive: Any, make: Any) -> Any:
    """An archive with eight lights in one series, the fifth through a cloud."""
    lights = [make.light(number) for number in range(1, 9)]
    archive.write("NGC 7331", lights)
    archive.rebuild()
    measured = {light.digests.sha256: measures(300 + number) for number, light in enumerate(lights)}
    measured[lights[4].digests.sha256] = FrameMeasures(2000.0, 30.0, 90, 3.0, 1.1, 30.0, 0)
    with open_index(archive.index_path, write=True) as index:
        keep_measures(index, measured)
    return archive


def standing_out(archive: Any) -> list[str]:
    return [row.path[-6] for row in archive.frames(FrameQuery(findings=(FindingKind.CLOUD,)))]


def test_a_frame_that_stands_out_has_a_finding_in_the_index(clouded: Any) -> None:
    (row,) = clouded.frames(FrameQuery(any_finding=True))
    assert row.path.endswith("0005.fits")
    assert [(each.kind, each.detail[:8]) for each in row.findings] == [(FindingKind.CLOUD, "90 stars")]


def test_a_rebuilt_index_keeps_measures_and_what_follows_from_them(clouded: Any) -> None:
    before = clouded.frames(FrameQuery())
    clouded.rebuild()
    assert clouded.frames(FrameQuery()) == before
    assert standing_out(clouded) == ["5"]


def test_what_could_not_be_measured_is_tried_again_after_a_rebuild(clouded: Any, make: Any) -> None:
    with open_index(clouded.index_path, write=True) as index:
        keep_measures(index, {make.light(1).digests.sha256: FrameMeasures(why_not="cut short")})
        assert lack_of_measures(index).frames == 0
    assert [row.path[-6] for row in clouded.frames(FrameQuery(findings=(FindingKind.NOT_MEASURED,)))] == ["1"]
    clouded.rebuild()
    with open_index(clouded.index_path) as index:
        assert [frame.path[-6] for frame in frames_to_measure(index)] == ["1"]


def test_measures_stay_with_a_frame_whose_entry_changes_and_with_a_bag_that_moves(
    clouded: Any, make: Any
) -> None:
    lights = [make.framed(make.light(number), observer="Ana") for number in range(1, 9)]
    clouded.write("NGC 7331", lights)
    clouded.bring_up_to_date()
    assert {row.frame.observer for row in clouded.frames(FrameQuery())} == {"Ana"}
    assert standing_out(clouded) == ["5"]
    (clouded.folder / "NGC 7331").rename(clouded.folder / "Stephan")
    clouded.bring_up_to_date()
    assert standing_out(clouded) == ["5"]


def test_a_frame_that_leaves_takes_its_part_of_the_comparison_along(clouded: Any, make: Any) -> None:
    clouded.write("NGC 7331", [make.light(number) for number in (1, 2, 3, 5)])
    clouded.bring_up_to_date()
    assert standing_out(clouded) == []
    assert clouded.frames(FrameQuery(any_finding=True)) == []


def test_frames_of_another_exposure_are_not_compared(archive: Any, make: Any) -> None:
    lights = [make.light(number) for number in range(1, 7)]
    lights += [make.framed(make.light(number), exposure_s=30.0) for number in (7, 8)]
    archive.write("NGC 7331", lights)
    archive.rebuild()
    with open_index(archive.index_path, write=True) as index:
        keep_measures(
            index,
            {
                light.digests.sha256: measures(300 if number < 6 else 60)
                for number, light in enumerate(lights)
            },
        )
    assert archive.frames(FrameQuery(any_finding=True)) == []


@pytest.mark.parametrize("change", ["stars = 'many'", "why_not = x'00'", "size_px = 9e999"])
@pytest.mark.parametrize("work", ["rebuild", "bring_up_to_date"])
def test_measures_that_are_none_stop_no_run(clouded: Any, make: Any, change: str, work: str) -> None:
    with open_index(clouded.index_path, write=True) as index, index.writing() as connection:
        connection.execute(f"UPDATE measures SET {change} WHERE stars = 301")
    clouded.write("NGC 7331", [make.light(number) for number in range(1, 10)])
    getattr(clouded, work)()
    assert len(clouded.frames(FrameQuery())) == 9


def test_raw_frames_that_are_there_are_to_be_measured_the_last_ones_first(archive: Any, make: Any) -> None:
    mosaic = make.framed(make.light(2), bayer_pattern="RGGB")
    stack = make.framed(make.light(3), stage=Stage.STACK)
    archive.write("NGC 7331", [make.light(1), mosaic, stack, make.entry("data/notes.txt")])
    archive.write("calibration", [make.calibration(1, FrameType.FLAT, 2.0)])
    archive.rebuild()
    with open_index(archive.index_path) as index:
        found = [(frame.path[-6], frame.stars, frame.mosaic) for frame in frames_to_measure(index)]
        assert sorted(found) == [("1", False, False), ("1", True, False), ("2", True, True)]
        assert [frame.file_id for frame in frames_to_measure(index)] == sorted(
            (frame.file_id for frame in frames_to_measure(index)), reverse=True
        )
        assert lack_of_measures(index) == (3, 3 * 50_112_000)


def test_what_is_measured_between_two_questions_is_not_asked_for_again(
    archive: Any, make: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive.write("NGC 7331", [make.light(number) for number in range(1, 8)])
    archive.rebuild()
    monkeypatch.setattr("manifests.index.measures._NEXT", _NEXT.replace("LIMIT 1000", "LIMIT 2"))
    with open_index(archive.index_path, write=True) as index:
        seen = []
        for frame in frames_to_measure(index):
            seen.append(frame.path[-6])
            if frame.path[-6] != "6":  # it was not to be read, say
                keep_measures(index, {frame.sha256: measures(300)})
        assert seen == list("7654321")
        assert [frame.path[-6] for frame in frames_to_measure(index)] == ["6"]


# Measures as readings of a night


def test_size_and_elongation_of_stars_are_readings_of_their_frames(archive: Any, make: Any) -> None:
    lights = [make.light(number) for number in (1, 2, 3)]
    archive.write("NGC 7331", lights)
    archive.rebuild()
    with open_index(archive.index_path, write=True) as index:
        keep_measures(index, {lights[0].digests.sha256: measures(300, 2.5)})
        keep_measures(index, {lights[2].digests.sha256: measures(300, 4.0)})
        series = {one.quantity: one for one in series_of_frames(frames_taken(index, MARCH_14))}
    size, elongation = series["star size"], series["star elongation"]
    assert [(record.moment_us, record.first) for record in size.records] == [
        (microseconds_of(light.frame.begun_utc), value)
        for light, value in ((lights[0], 2.5), (lights[2], 4.0))
    ]
    assert (size.source, size.unit) == ("frames", "pix")
    assert [record.first for record in elongation.records] == [1.1, 1.1]
