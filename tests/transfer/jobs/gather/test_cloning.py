"""Copies that share the archive's blocks, on a real file system that lets files do so; links elsewhere."""

from __future__ import annotations

import os
import stat
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from manifests.findings import FindingKind
from tests.support.small_archive import SmallArchive, frames_in
from tests.support.volumes import CLONING, Volume, need_tools
from transfer.engine.medium import ReadBack
from transfer.errors import ExitCode
from transfer.events import BytesDone, Event
from transfer.jobs.gather.outcome import GatherOutcome, How
from transfer.jobs.gather.report import report
from transfer.jobs.gather.request import Means
from transfer.stop import Stop

Gather = Callable[..., GatherOutcome]


@pytest.fixture
def disk(volumes: Any) -> Iterator[Volume]:
    with volumes(CLONING, size_mb=128) as made:
        yield made


@pytest.fixture
def archive(disk: Volume) -> SmallArchive:
    return SmallArchive(disk.path / "archive")


@pytest.fixture
def folder(disk: Volume) -> Path:
    return disk.path / "run"


def shares_blocks(path: Path) -> bool:
    need_tools("filefrag")
    done = subprocess.run(["filefrag", "-v", path], capture_output=True, text=True, check=True)
    return "shared" in done.stdout


def test_copies_that_take_no_room_are_the_default_and_are_proven(
    archive: SmallArchive, gather: Gather, folder: Path
) -> None:
    light = archive.light("a.fits")
    archive.whole_set()
    before = archive.fingerprint()
    outcome = gather(means=Means.BEST)
    assert outcome.count(How.COPY) == len(frames_in(folder)) == 9
    assert outcome.read_back in ReadBack
    laid_out = folder / "lights/M 33/Ha/2026-03-14/a.fits"
    os.sync()
    assert shares_blocks(laid_out)
    assert laid_out.stat().st_mtime_ns == light.stat().st_mtime_ns
    laid_out.write_bytes(b"a program's own")
    assert archive.fingerprint() == before
    assert "changes the archive" not in " ".join(report(outcome, 80))
    assert gather(means=Means.BEST).count(How.THERE_BEFORE) == 8


def test_links_are_made_where_they_are_asked_for(archive: SmallArchive, gather: Gather) -> None:
    archive.light("a.fits")
    assert gather(means=Means.HARD_LINK).count(How.HARD_LINK) == 1


def test_a_frame_that_is_not_as_listed_is_told_and_not_laid_out(
    archive: SmallArchive, gather: Gather, folder: Path
) -> None:
    archive.light("a.fits")
    changed = archive.light("b.fits")
    changed.write_bytes(changed.read_bytes()[:-1] + b"!")
    outcome = gather(means=Means.BEST)
    assert [failure.kind for failure in outcome.failures] == [FindingKind.CHANGED]
    assert frames_in(folder) == ["lights/M 33/Ha/2026-03-14/a.fits"]
    assert not list(folder.glob("*.part"))


def test_a_run_that_has_to_end_says_so(archive: SmallArchive, gather: Gather, folder: Path) -> None:
    archive.light("a.fits")
    stop = Stop()
    stop.ask("interrupted")
    assert gather(stop=stop, means=Means.BEST).exit_code is ExitCode.STOPPED_EARLY
    assert frames_in(folder) == []


def test_more_frames_than_a_batch_are_all_cloned(archive: SmallArchive, gather: Gather, folder: Path) -> None:
    for number in range(70):
        archive.light(f"light_{number:03}.fits")
    assert gather(means=Means.BEST).count(How.COPY) == len(frames_in(folder)) == 70


def test_a_folder_on_another_disk_gets_plain_copies(
    archive: SmallArchive, gather: Gather, tmp_path: Path
) -> None:
    archive.light("a.fits")
    outcome = gather(into=tmp_path / "elsewhere", means=Means.BEST)
    assert outcome.count(How.COPY) == 1
    assert outcome.reasons == ("the folder is on another disk than the archive",)


# Where files cannot share blocks


def is_read_only(path: Path) -> bool:
    return not path.stat().st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH)


@pytest.mark.skipif(os.name == "nt", reason="a read-only file could not be replaced there")
@pytest.mark.parametrize("means", [Means.HARD_LINK, Means.SYMBOLIC_LINK])
def test_a_link_is_read_only_and_says_so(volumes: Any, gather: Gather, means: Means) -> None:
    with volumes("ext4", size_mb=32) as disk:
        archive = SmallArchive(disk.path / "archive")
        light = archive.light("a.fits")
        outcome = gather_from(archive, gather, disk.path / "run", means)
        assert is_read_only(light)
        assert is_read_only(disk.path / "run" / outcome.laid_out[0].path)
        assert "read-only now" in " ".join(report(outcome, 80))


def gather_from(
    archive: SmallArchive, gather: Gather, into: Path, means: Means = Means.BEST
) -> GatherOutcome:
    return gather(archive=archive, into=into, means=means)


def test_links_stay_the_default_and_say_why(volumes: Any, gather: Gather) -> None:
    with volumes("ext4", size_mb=32) as disk:
        archive = SmallArchive(disk.path / "archive")
        archive.light("a.fits")
        outcome = gather_from(archive, gather, disk.path / "run")
        assert outcome.count(How.HARD_LINK) == 1
        assert outcome.links_because == "this file system cannot make copies that take no room"
        assert not list((disk.path / "run").glob("*.part"))


def test_an_archives_file_that_was_made_writable_again_is_found_by_the_next_run(
    volumes: Any, gather: Gather
) -> None:
    with volumes("ext4", size_mb=32) as disk:
        archive = SmallArchive(disk.path / "archive")
        light = archive.light("a.fits")
        gather_from(archive, gather, disk.path / "run")
        light.chmod(0o644)
        assert gather_from(archive, gather, disk.path / "run").count(How.LINKED_BEFORE) == 1
        assert is_read_only(light)


def test_what_is_read_back_is_told_as_it_is_read(archive: SmallArchive, gather: Gather) -> None:
    light = archive.light("a.fits")
    events: list[Event] = []
    gather(listen=events.append, means=Means.BEST)
    assert sum(event.size_bytes for event in events if isinstance(event, BytesDone)) == light.stat().st_size
