"""The frames of an archive measured: in processes of their own, kept as they come, and gone on with."""

from __future__ import annotations

import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from manifests.findings import Finding, FindingKind
from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.index.frame_query import FrameQuery, FrameRow
from manifests.index.frames import frames
from manifests.index.opening import open_index
from manifests.index.schema import INDEX_NAME
from tests.support.small_archive import SmallArchive
from transfer.engine.workers import NoAnswer
from transfer.errors import ConfigurationError, ExitCode, NotThere
from transfer.events import BytesDone, PhaseBegan
from transfer.jobs.measures.run import MeasuresOutcome, measure_archive, measures_told
from transfer.jobs.measures.worker import answer_to


def measured(archive: SmallArchive, **how: Any) -> MeasuresOutcome:
    return measure_archive(archive.root, how.pop("why_end", lambda: ""), **({"workers": 2} | how))


def rows(archive: SmallArchive) -> dict[str, FrameRow]:
    with open_index(archive.root / INDEX_NAME) as index:
        return {row.path.rpartition("/")[2].removesuffix(".fits"): row for row in frames(index, FrameQuery())}


def test_lights_are_measured_with_their_stars_and_flats_without(archive: SmallArchive) -> None:
    before = archive.fingerprint()
    outcome = measured(archive)
    assert (outcome.measured, outcome.not_measurable, outcome.left) == (4, 0, 0)
    assert outcome.exit_code is ExitCode.PROVEN
    assert outcome.message == "4 frames measured."
    found = rows(archive)
    light, flat = found["light 1"].measures, found["flat"].measures
    assert light is not None
    assert light.stars == pytest.approx(40, abs=4)
    assert light.size_px == pytest.approx(3.08, rel=0.05)
    assert flat is not None
    assert flat.background_adu == pytest.approx(1000, rel=0.05)
    assert (flat.stars, flat.size_px) == (None, None)
    assert archive.fingerprint() == before


def test_a_second_run_measures_only_what_is_new(archive: SmallArchive) -> None:
    measured(archive)
    assert measured(archive).message == "All frames are measured."
    archive.light("light 4.fits")
    outcome = measured(archive)
    assert (outcome.measured, outcome.left) == (1, 0)


def test_progress_is_told_in_bytes(archive: SmallArchive) -> None:
    events: list[Any] = []
    measured(archive, listen=events.append)
    total = sum(event.total_bytes for event in events if isinstance(event, PhaseBegan))
    assert total == sum(event.size_bytes for event in events if isinstance(event, BytesDone))
    assert total == sum(path.stat().st_size for path in archive.root.rglob("*.fits"))


def test_a_run_that_is_stopped_keeps_what_it_has_and_the_next_goes_on(archive: SmallArchive) -> None:
    done = threading.Event()

    def listen(event: Any) -> None:
        if isinstance(event, BytesDone):
            done.set()

    outcome = measured(archive, why_end=lambda: "signal SIGINT" if done.is_set() else "", listen=listen)
    assert outcome.exit_code is ExitCode.STOPPED_EARLY
    assert outcome.measured >= 1
    assert outcome.measured + outcome.left == 4
    assert outcome.message.endswith("not measured yet (signal SIGINT).")
    assert measured(archive).measured == outcome.left
    assert all(row.measures for row in rows(archive).values())


def test_a_run_ends_when_its_time_is_over(archive: SmallArchive) -> None:
    outcome = measured(archive, most_s=0.0)
    assert (outcome.measured, outcome.left) == (0, 4)
    assert outcome.why_ended == "the time for it was over"


def test_a_frame_that_cannot_be_measured_has_its_reason_and_stops_no_other(archive: SmallArchive) -> None:
    archive.make = lambda seed, **cards: b"SIMPLE  = F".ljust(5760)
    archive.light("broken.fits")
    outcome = measured(archive)
    assert (outcome.measured, outcome.not_measurable, outcome.left) == (5, 1, 0)
    assert outcome.exit_code is ExitCode.PROVEN
    broken = rows(archive)["broken"]
    assert broken.measures is not None
    assert broken.measures.why_not
    assert [each.kind for each in broken.findings if each.kind is FindingKind.NOT_MEASURED]
    assert measured(archive).message == "All frames are measured."


def test_what_changed_since_it_was_filed_is_not_measured_under_its_old_digest(archive: SmallArchive) -> None:
    path = archive.light("light 4.fits")
    content = bytearray(path.read_bytes())
    content[-3000] ^= 1
    path.write_bytes(content)
    outcome = measured(archive)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    (finding,) = outcome.findings
    assert (finding.kind, finding.path) == (FindingKind.CHANGED, "M 33/data/2026-03-14/Ha/light 4.fits")
    assert rows(archive)["light 4"].measures is None


def test_a_file_that_is_not_there_is_named_and_asked_for_again(archive: SmallArchive) -> None:
    path = archive.light("light 4.fits")
    path.unlink()
    outcome = measured(archive)
    assert [finding.kind for finding in outcome.findings] == [FindingKind.UNREADABLE]
    assert (outcome.measured, outcome.left, outcome.why_ended) == (4, 1, "")


def test_without_the_library_it_says_what_to_install(
    archive: SmallArchive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("manifests.frames.measures.measuring.find_spec", lambda name: None)
    with pytest.raises(ConfigurationError) as refused:
        measured(archive)
    assert "pip install 'nightferry[page]'" in str(refused.value)


def test_no_index_is_made_where_there_is_no_archive(tmp_path: Path) -> None:
    with pytest.raises(NotThere):
        measure_archive(tmp_path, lambda: "")
    assert not (tmp_path / INDEX_NAME).exists()


def test_a_frame_whose_process_dies_or_hangs_could_not_be_measured() -> None:
    assert measures_told(NoAnswer("broke off")) == FrameMeasures(why_not="measuring it broke off")


def test_where_no_process_can_be_started_nothing_is_said_of_the_frame() -> None:
    told = measures_told(NoAnswer("no process for it could be started", is_of_frame=False))
    assert told == Finding(FindingKind.UNREADABLE, "no process for it could be started")


def test_a_library_that_cannot_be_loaded_is_no_fault_of_the_frame(
    archive: SmallArchive, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = archive.light("light 4.fits")
    digest = archive.entries[archive.root / "M 33"][-1].digests.sha256
    monkeypatch.setitem(sys.modules, "sep", None)
    told = answer_to(
        {"bag": str(archive.root / "M 33"), "path": path.relative_to(archive.root / "M 33").as_posix()}
        | {"sha256": digest, "stars": True, "mosaic": False}
    )
    assert told["unreadable"].startswith("it could not be measured here (")
