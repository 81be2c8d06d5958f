"""Copies: held against their bags as they are read, read back, and named only then; on faulty disks too."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from manifests.findings import FindingKind
from tests.support.faulty_drive import Faulty, faulty
from tests.support.small_archive import SmallArchive, frames_in
from tests.support.volumes import need_tools, unavailable
from transfer.engine.medium import this_computer
from transfer.errors import DoesNotFit, DriveFailed, ExitCode
from transfer.events import BytesDone, Event, PhaseBegan, PhaseEnded, nobody
from transfer.jobs.gather.copying import CopyRun
from transfer.jobs.gather.folder import held_folder
from transfer.jobs.gather.outcome import GatherOutcome, How
from transfer.jobs.gather.placing import Placed
from transfer.jobs.gather.request import Means
from transfer.stop import Stop

Gather = Callable[..., GatherOutcome]


@pytest.fixture
def lights(archive: SmallArchive) -> list[Path]:
    """Return three lights of the archive."""
    return [archive.light(f"light_{number}.fits") for number in range(3)]


def named(folder: Path) -> set[str]:
    return {path.rpartition("/")[2] for path in frames_in(folder)}


def assert_whole(folder: Path, lights: list[Path]) -> None:
    """Check that no file stands under a frame's name that is not that frame, whole."""
    content = {light.name: light.read_bytes() for light in lights}
    for path in frames_in(folder):
        assert (folder / path).read_bytes() == content[path.rpartition("/")[2]], path


def test_what_is_not_as_its_bag_lists_it_is_told_and_not_laid_out(
    lights: list[Path], folder: Path, gather: Gather
) -> None:
    content = lights[1].read_bytes()
    lights[1].write_bytes(content[:-1] + b"!")
    outcome = gather(means=Means.COPY)
    assert named(folder) == {"light_0.fits", "light_2.fits"}
    (failure,) = outcome.failures
    assert (failure.kind, failure.path) == (
        FindingKind.CHANGED,
        "M 33/data/2026-03-14/Ha/light_1.fits",
    )
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert not list(folder.glob("*.part"))


def test_copies_that_do_not_fit_are_refused_before_the_first_byte(
    archive: SmallArchive, gather: Gather, volumes: Callable[..., object]
) -> None:
    for number in range(3):
        archive.light(f"light_{number}.fits")
    with volumes("ext4", size_mb=2) as disk:  # type: ignore[attr-defined]
        facts = os.statvfs(disk.path)
        (disk.path / "full").write_bytes(bytes(facts.f_bavail * facts.f_frsize - 8192))
        with pytest.raises(DoesNotFit, match="bytes have to be copied") as caught:
            gather(into=disk.path / "run")
        assert frames_in(disk.path / "run") == []
    assert caught.value.exit_code is ExitCode.DOES_NOT_FIT


def test_a_run_that_is_stopped_says_so_and_leaves_whole_files_only(
    lights: list[Path], folder: Path, gather: Gather
) -> None:
    stop = Stop()
    stop.ask("interrupted")
    outcome = gather(means=Means.COPY, stop=stop)
    assert outcome.exit_code is ExitCode.STOPPED_EARLY
    assert outcome.message.startswith("Stopped early (interrupted).")
    assert frames_in(folder) == []
    assert gather(means=Means.COPY).count(How.COPY) == 3


def test_what_is_done_is_told_as_it_is_done(
    lights: list[Path], folder: Path, placed: Callable[[], list[Placed]]
) -> None:
    events: list[Event] = []
    with held_folder(folder, this_computer()) as held:
        CopyRun(held, this_computer(), Stop(), events.append).copy(placed())
    assert isinstance(events[0], PhaseBegan)
    assert isinstance(events[-1], PhaseEnded)
    size = sum(light.stat().st_size for light in lights)
    assert events[0].total_bytes == size
    assert sum(event.size_bytes for event in events if isinstance(event, BytesDone)) == size


# Disks that fail


@contextmanager
def failing_disk(tmp_path: Path, *rules: str) -> Iterator[Faulty]:
    if sys.platform != "linux" or not Path("/dev/fuse").exists():
        unavailable("needs FUSE")
    need_tools("umount", "fusermount")
    with faulty(tmp_path / "faulty", *rules) as disk:
        yield disk


def test_a_copy_that_the_disk_changed_is_written_again(
    lights: list[Path], gather: Gather, tmp_path: Path
) -> None:
    with failing_disk(tmp_path, "write|part|2|1|flip") as disk:
        outcome = gather(into=disk.path / "run")
        assert disk.faults == 1
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN  # it has no calibration frames
        assert not outcome.failures
        assert_whole(disk.path / "run", lights)
        assert len(named(disk.path / "run")) == 3


def test_a_disk_that_changes_every_copy_gets_none_named_and_each_is_told(
    lights: list[Path], gather: Gather, tmp_path: Path
) -> None:
    with failing_disk(tmp_path, "write|nightferry-|1|9999|flip") as disk:
        outcome = gather(into=disk.path / "run")
        assert {failure.kind for failure in outcome.failures} == {FindingKind.NOT_PROVEN}
        assert len(outcome.failures) == 3
        assert frames_in(disk.path / "run") == []


def test_what_is_known_of_a_frame_is_told_once_though_its_batch_is_written_again(
    lights: list[Path], gather: Gather, tmp_path: Path
) -> None:
    content = lights[0].read_bytes()
    lights[0].write_bytes(content[:-1] + b"!")
    with failing_disk(tmp_path, "rename|light_|2|1|EIO") as disk:
        outcome = gather(into=disk.path / "run")
        assert disk.faults == 1
        assert [failure.kind for failure in outcome.failures] == [FindingKind.CHANGED]
        assert named(disk.path / "run") == {"light_1.fits", "light_2.fits"}


def faults() -> list[str]:
    once = [("write", what) for what in ("flip", "drop", "short", "EIO", "ENOSPC")]
    once += [(call, "EIO") for call in ("fsync", "create", "read", "flush")]
    for_good = [
        ("write", "ENODEV"),
        ("fsync", "EIO"),
        ("create", "EROFS"),
        ("read", "EIO"),
    ]
    rules = [f"{call}|nightferry-|2|1|{what}" for call, what in once]
    rules += ["fsyncdir||1|9|EIO", "mkdir||2|1|EIO", "rename|light_|2|1|EIO", "rename|light_|2|9999|EROFS"]
    return rules + [f"{call}|nightferry-|2|9999|{what}" for call, what in for_good]


@pytest.mark.parametrize("rule", faults())
def test_whatever_fails_only_whole_frames_have_names_and_the_next_run_lays_out_the_rest(
    lights: list[Path], gather: Gather, tmp_path: Path, rule: str
) -> None:
    with failing_disk(tmp_path, rule) as disk:
        with contextlib.suppress(DoesNotFit, DriveFailed):
            outcome = gather(into=disk.path / "run")
            assert named(disk.path / "run") >= {Path(each.path).name for each in outcome.laid_out}
        assert disk.faults
        behind = disk.behind
        assert_whole(behind / "run", lights)
    with failing_disk(tmp_path / "later") as healthy:
        (behind / "run").rename(healthy.behind / "run")
        outcome = gather(into=healthy.path / "run")
        assert not outcome.failures
        assert len(outcome.laid_out) == len(named(healthy.path / "run")) == 3
        assert_whole(healthy.path / "run", lights)
        assert not list((healthy.path / "run").glob("*.part"))


def test_nobody_need_listen(lights: list[Path], folder: Path, placed: Callable[[], list[Placed]]) -> None:
    with held_folder(folder, this_computer()) as held:
        copied = CopyRun(held, this_computer(), Stop(), nobody).copy(placed())
    assert len(copied.done) == 3
