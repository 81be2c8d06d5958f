"""A file of the archive as it lies on the disk now, held against what the index says of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from manifests.bags.containment import real_file
from manifests.findings import Finding, FindingKind
from transfer.engine.medium.looking import HERE, Spelling
from transfer.jobs.gather.archive_frames import ArchiveFrame


@dataclass(frozen=True, slots=True)
class ArchiveFile:
    """An ordinary file inside its bag: where it really lies, its size and time, which file it is."""

    path: Path
    size_bytes: int
    modified_ns: int
    identity: tuple[int, int]
    """Device and file number: two names with the same are one file."""

    @property
    def device(self) -> int:
        """The number of the device that it is on."""
        return self.identity[0]


def look_at(root: Path, frame: ArchiveFrame, spelling: Spelling = HERE) -> ArchiveFile | Finding:
    """Look at a frame's file: it is there, in its bag, and as large as listed, or that is a finding.

    The system is asked for it in its own `spelling`.
    """
    try:
        path = real_file(Path(spelling.asked(str(root / frame.row.bag))), frame.row.path)
        facts = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return Finding(FindingKind.MISSING, "the archive lists it, and it is not there", frame.path)
    except OSError as error:
        return Finding(FindingKind.UNREADABLE, error.strerror or str(error), frame.path)
    if facts.st_size != frame.row.size_bytes:
        detail = f"it has {facts.st_size:,} bytes, and its bag lists {frame.row.size_bytes:,}"
        return Finding(FindingKind.CHANGED, detail, frame.path)
    return ArchiveFile(path, facts.st_size, facts.st_mtime_ns, (facts.st_dev, facts.st_ino))
