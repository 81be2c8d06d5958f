from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from manifests.frames.frame import FrameType
from manifests.index.frame_query import FrameQuery, FrameRow
from manifests.index.frames import frames
from manifests.index.opening import open_index
from manifests.index.rebuilding import rebuild
from tests.support.small_archive import SmallArchive
from tests.support.systems import need_links
from transfer.jobs.gather.archive_frames import ArchiveFile, ArchiveFrame, archive_frame, look_at
from transfer.jobs.gather.placing import InPlace, look_into


def only_frame(archive: SmallArchive) -> tuple[ArchiveFrame, ArchiveFile]:
    rebuild(archive.root)
    with open_index(archive.root / "index.sqlite") as index:
        row: FrameRow = next(frames(index, FrameQuery()))
    frame = archive_frame(row, FrameType.LIGHT)
    file = look_at(archive.root, frame)
    assert isinstance(file, ArchiveFile)
    return frame, file


def put(path: Path, content: bytes, modified_ns: int = 0) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    os.utime(path, ns=(modified_ns, modified_ns))
    return path


def test_the_archives_own_file_is_found_under_any_name(archive: SmallArchive, folder: Path) -> None:
    light = archive.light("a.fits")
    folder.mkdir()
    (folder / "renamed").hardlink_to(light)
    assert look_into(folder).find(*only_frame(archive)) == InPlace("renamed", shared=True)


@need_links
def test_a_symbolic_link_to_it_is_found(archive: SmallArchive, folder: Path) -> None:
    light = archive.light("a.fits")
    (folder / "x").mkdir(parents=True)
    (folder / "x/b.fits").symlink_to(light)
    assert look_into(folder).find(*only_frame(archive)) == InPlace("x/b.fits", shared=True)


def test_a_copy_is_found_by_its_content_numbered_or_in_other_case(
    archive: SmallArchive, folder: Path
) -> None:
    content = archive.light("a.fits").read_bytes()
    put(folder / "deep/er/A (3).FITS", content)
    assert look_into(folder).find(*only_frame(archive)) == InPlace("deep/er/A (3).FITS", shared=False)


def test_the_same_content_under_a_name_of_its_own_is_another_file(
    archive: SmallArchive, folder: Path
) -> None:
    put(folder / "calibrated_a.fits", archive.light("a.fits").read_bytes())
    assert look_into(folder).find(*only_frame(archive)) is None


def test_other_content_of_the_same_name_and_size_is_not_it(archive: SmallArchive, folder: Path) -> None:
    content = archive.light("a.fits").read_bytes()
    put(folder / "a.fits", content[:-1] + b"!")
    put(folder / "b/a.fits", content + b"!")
    assert look_into(folder).find(*only_frame(archive)) is None


def test_a_copy_as_old_to_the_nanosecond_is_not_read(archive: SmallArchive, folder: Path) -> None:
    light = archive.light("a.fits")
    put(folder / "a.fits", light.read_bytes(), light.stat().st_mtime_ns)
    frame, file = only_frame(archive)
    listed_otherwise = replace(frame, row=replace(frame.row, sha256="00" * 32))
    assert look_into(folder).find(listed_otherwise, file) == InPlace("a.fits", shared=False)
    os.utime(folder / "a.fits", ns=(0, file.modified_ns + 1))
    assert look_into(folder).find(listed_otherwise, file) is None


@need_links
def test_a_link_that_leads_nowhere_and_folders_that_are_links_end_nothing(
    archive: SmallArchive, folder: Path
) -> None:
    archive.light("a.fits")
    folder.mkdir()
    (folder / "a.fits").symlink_to(folder / "gone")
    (folder / "loop").symlink_to(folder)
    found = look_into(folder)
    assert found.find(*only_frame(archive)) is None
    assert found.names["a.fits"] == "a.fits"


def test_a_folder_that_is_not_there_is_empty(folder: Path) -> None:
    assert look_into(folder).names == {}
