"""Links, and where there can be none: on real volumes of several kinds."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from manifests.findings import FindingKind
from tests.support.small_archive import SmallArchive, frames_in
from tests.support.systems import need_links
from transfer.engine.medium import this_computer
from transfer.errors import ConfigurationError, DoesNotFit, ExitCode
from transfer.jobs.gather.folder import held_folder
from transfer.jobs.gather.linking import link
from transfer.jobs.gather.outcome import GatherOutcome, How
from transfer.jobs.gather.placing import Placed
from transfer.jobs.gather.request import Means

Gather = Callable[..., GatherOutcome]

LIGHT = "lights/M 33/Ha/2026-03-14/light.fits"


def hows(outcome: GatherOutcome) -> set[How]:
    return {each.how for each in outcome.laid_out}


def test_across_disks_frames_are_copied_and_it_is_said(
    archive: SmallArchive, gather: Gather, volumes: Callable[..., object]
) -> None:
    archive.whole_set()
    archive.light("light.fits")
    with volumes("ext4") as disk:  # type: ignore[attr-defined]
        outcome = gather(into=disk.path / "run")
        assert hows(outcome) == {How.COPY}
        assert outcome.reasons == ("the folder is on another disk than the archive",)
        assert len(frames_in(disk.path / "run")) == 9
        assert outcome.exit_code is ExitCode.PROVEN


def test_where_a_file_system_has_no_hard_links_frames_are_copied_and_it_is_said(
    gather_on: Callable[..., GatherOutcome], volumes: Callable[..., object]
) -> None:
    with volumes("exfat") as disk:  # type: ignore[attr-defined]
        archive = SmallArchive(disk.path / "archive")
        source = archive.light("light.fits")
        outcome = gather_on(archive, disk.path / "run")
        assert hows(outcome) == {How.COPY}
        (reason,) = outcome.reasons
        assert reason.startswith("no hard link could be made there (")
        assert (disk.path / "run" / LIGHT).read_bytes() == source.read_bytes()
        assert hows(gather_on(archive, disk.path / "run")) == {How.THERE_BEFORE}


def test_where_a_file_system_has_no_symbolic_links_nothing_is_laid_out_in_their_place(
    archive: SmallArchive, gather: Gather, volumes: Callable[..., object]
) -> None:
    archive.light("light.fits")
    with volumes("exfat") as disk:  # type: ignore[attr-defined]
        with pytest.raises(ConfigurationError, match="No symbolic links") as caught:
            gather(into=disk.path / "run", means=Means.SYMBOLIC_LINK)
        assert frames_in(disk.path / "run") == []
    assert "--symbolic" in caught.value.next_step


def test_a_frame_that_left_since_it_was_looked_at_is_told_and_the_others_are_laid_out(
    archive: SmallArchive, folder: Path, placed: Callable[[], list[Placed]]
) -> None:
    archive.light("a.fits")
    archive.light("b.fits")
    both = placed()
    both[0].file.path.unlink()
    with held_folder(folder, this_computer()) as held:
        linked = link(both, held, Means.HARD_LINK)
    (failure,) = linked.failed
    assert (failure.kind, failure.path) == (FindingKind.MISSING, both[0].frame.path)
    assert frames_in(folder) == [both[1].path]


def test_a_name_that_was_taken_meanwhile_is_not_overwritten(
    archive: SmallArchive, folder: Path, placed: Callable[[], list[Placed]]
) -> None:
    archive.light("a.fits")
    (only,) = placed()
    mine = folder / only.path
    mine.parent.mkdir(parents=True)
    mine.write_bytes(b"mine")
    with pytest.raises(Exception, match="lies in the way"), held_folder(folder, this_computer()) as held:
        link([only], held, Means.HARD_LINK)
    assert mine.read_bytes() == b"mine"


@need_links
@pytest.mark.parametrize("means", [Means.HARD_LINK, Means.SYMBOLIC_LINK])
@pytest.mark.parametrize("at", ["lights", "lights/M 33", "lights/M 33/Ha/2026-03-14"])
def test_nothing_is_laid_out_through_a_link_that_lies_in_the_folder(
    archive: SmallArchive, gather: Gather, folder: Path, tmp_path: Path, means: Means, at: str
) -> None:
    archive.light("light.fits")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (folder / at).parent.mkdir(parents=True)
    (folder / at).symlink_to(elsewhere)
    with pytest.raises(DoesNotFit, match="A file or link lies in the way"):
        gather(means=means)
    assert not list(elsewhere.iterdir())


@pytest.mark.parametrize("means", [Means.HARD_LINK, Means.SYMBOLIC_LINK])
def test_a_link_is_made_in_the_folder_held_open_though_another_took_its_name(
    archive: SmallArchive, folder: Path, placed: Callable[[], list[Placed]], means: Means
) -> None:
    archive.light("a.fits")
    todo = placed()
    with held_folder(folder, this_computer()) as held:
        folder.rename(folder.with_name("carried off"))
        folder.mkdir()
        link(todo, held, means)
    assert frames_in(folder) == []
    assert frames_in(folder.with_name("carried off")) == [todo[0].path]


def test_the_name_that_is_in_the_way_is_told_and_not_the_archive_s(
    archive: SmallArchive, folder: Path, placed: Callable[[], list[Placed]]
) -> None:
    archive.light("a.fits")
    (only,) = placed()
    (folder / only.path).parent.mkdir(parents=True)
    (folder / only.path).touch()
    with pytest.raises(DoesNotFit) as caught, held_folder(folder, this_computer()) as held:
        link([only], held, Means.HARD_LINK)
    assert "(a.fits)" in str(caught.value)
    assert str(archive.root) not in str(caught.value)


def test_frames_to_be_copied_are_not_linked(
    archive: SmallArchive, folder: Path, placed: Callable[[], list[Placed]]
) -> None:
    archive.light("a.fits")
    with held_folder(folder, this_computer()) as held:
        linked = link(placed(), held, Means.COPY)
    assert [each.path for each in linked.to_copy] == ["lights/M 33/Ha/2026-03-14/a.fits"]
    assert not linked.reasons
    assert frames_in(folder) == []
