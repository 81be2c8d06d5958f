from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from tests.support.small_archive import SmallArchive
from tests.support.systems import need_links
from transfer.engine.medium import this_computer
from transfer.errors import ConfigurationError, DoesNotFit, DriveFailed, ExitCode
from transfer.jobs.gather.folder import check_folder, folder_failure, held_folder


@pytest.mark.parametrize("below", ["", "x", "M 33", "M 33/data/run"])
def test_a_folder_at_or_in_the_archive_is_refused(archive: SmallArchive, below: str) -> None:
    archive.light("a.fits")
    with pytest.raises(ConfigurationError, match="lies in the archive") as told:
        check_folder(archive.root / below, archive.root, Path("night.toml"))
    assert "night.toml" in told.value.next_step


@need_links
def test_a_link_into_the_archive_is_the_archive(archive: SmallArchive, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(archive.root)
    with pytest.raises(ConfigurationError, match="lies in the archive"):
        check_folder(tmp_path / "link" / "run", archive.root)
    with pytest.raises(ConfigurationError, match="lies in the archive"):
        check_folder(archive.root / "run", tmp_path / "link")


def test_a_folder_around_the_archive_is_refused(archive: SmallArchive, tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="lies in this folder"):
        check_folder(tmp_path, archive.root)


@pytest.mark.parametrize("below", ["", "data/run"])
def test_a_folder_in_any_other_bag_is_refused(archive: SmallArchive, tmp_path: Path, below: str) -> None:
    bag = SmallArchive(tmp_path / "drive")
    bag.light("a.fits")
    with pytest.raises(ConfigurationError, match="belongs to a bag"):
        check_folder(bag.root / "M 33" / below, archive.root)


def test_a_file_is_refused(archive: SmallArchive, tmp_path: Path) -> None:
    (tmp_path / "run").touch()
    with pytest.raises(ConfigurationError, match="This is a file"):
        check_folder(tmp_path / "run", archive.root)


def test_a_folder_beside_the_archive_is_taken_and_made(archive: SmallArchive, tmp_path: Path) -> None:
    folder = tmp_path / "archive 2" / "run"
    check_folder(folder, archive.root)
    with held_folder(folder, this_computer()) as held:
        assert held.path == folder
    assert folder.is_dir()


def test_parts_of_a_run_that_came_to_no_end_are_removed_and_nothing_else(tmp_path: Path) -> None:
    names = {"nightferry-1.part", "nightferry-23.part"}
    others = {"mine.part", "nightferry-.part", "nightferry-1.part.fits", "a.fits"}
    for name in names | others:
        (tmp_path / name).touch()
    (tmp_path / "nightferry-4.part").mkdir()
    with held_folder(tmp_path, this_computer()):
        assert {path.name for path in tmp_path.iterdir()} == others | {"nightferry-4.part"}


@pytest.mark.parametrize(
    ("code", "kind", "said"),
    [
        (errno.ENOSPC, DoesNotFit, "is full"),
        (errno.EDQUOT, DoesNotFit, "is full"),
        (errno.EROFS, DoesNotFit, "cannot be written to"),
        (errno.EACCES, DoesNotFit, "cannot be written to"),
        (errno.ENOTDIR, DoesNotFit, "lies in the way"),
        (errno.ENODEV, DriveFailed, "left"),
        (errno.EIO, DriveFailed, "cannot be written to"),
    ],
)
def test_each_error_of_the_system_says_what_to_do(
    tmp_path: Path, code: int, kind: type[Exception], said: str
) -> None:
    error = folder_failure(OSError(code, os.strerror(code)), tmp_path)
    assert type(error) is kind
    assert said in str(error)
    assert error.next_step


def test_what_does_not_fit_exits_with_4(tmp_path: Path) -> None:
    assert folder_failure(OSError(errno.EACCES, "no"), tmp_path).exit_code is ExitCode.DOES_NOT_FIT
