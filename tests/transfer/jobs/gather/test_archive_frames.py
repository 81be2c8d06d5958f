from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from manifests.findings import Finding, FindingKind
from tests.support.small_archive import SmallArchive
from tests.support.systems import need_pipes
from transfer.engine.medium.looking import Spelling
from transfer.jobs.gather.archive_frames import ArchiveFile, look_at
from transfer.jobs.gather.placing import Placed


def looked_at(archive: SmallArchive, of: Placed) -> ArchiveFile | FindingKind:
    found = look_at(archive.root, of.frame)
    return found.kind if isinstance(found, Finding) else found


def test_a_file_as_listed_is_given_with_what_it_is(
    archive: SmallArchive, placed: Callable[[], list[Placed]]
) -> None:
    path = archive.light("a.fits")
    facts = path.stat()
    (only,) = placed()
    assert looked_at(archive, only) == ArchiveFile(
        path, facts.st_size, facts.st_mtime_ns, (facts.st_dev, facts.st_ino)
    )


@need_pipes
def test_what_is_not_as_listed_is_a_finding(
    archive: SmallArchive, placed: Callable[[], list[Placed]], tmp_path: Path
) -> None:
    path = archive.light("a.fits")
    (only,) = placed()
    path.write_bytes(path.read_bytes() + b"!")
    assert looked_at(archive, only) is FindingKind.CHANGED
    path.unlink()
    assert looked_at(archive, only) is FindingKind.MISSING
    path.mkdir()
    assert looked_at(archive, only) is FindingKind.UNREADABLE
    path.rmdir()
    os.mkfifo(path)
    assert looked_at(archive, only) is FindingKind.UNREADABLE
    path.unlink()
    path.parent.rename(tmp_path / "away")
    path.parent.symlink_to(tmp_path / "away")
    (tmp_path / "away" / "a.fits").touch()
    assert looked_at(archive, only) is FindingKind.UNREADABLE


def test_the_system_is_asked_for_a_file_in_its_own_form(
    archive: SmallArchive, placed: Callable[[], list[Placed]]
) -> None:
    path = archive.light("a.fits")
    (only,) = placed()
    far = archive.root.with_name("as a person writes it")
    spelling = Spelling(asked=lambda folder: folder.replace(str(far), str(archive.root)))
    found = look_at(far, only.frame, spelling)
    assert isinstance(found, ArchiveFile)
    assert found.path == path
