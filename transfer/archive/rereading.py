"""Files of an archive that are due to be read again, and what came of reading them, kept in their bags."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import NamedTuple

from manifests.bags.kept_proofs import KeptProof
from manifests.bags.verify import FileRead
from manifests.findings import Finding, FindingKind
from manifests.index.found_bags import bags_of
from transfer.archive.bags import ArchiveBag
from transfer.archive.contents import brought_up_to_date
from transfer.archive.held import OpenArchive, archive_failure, held_archive
from transfer.archive.mark import MARK_NAME
from transfer.archive.proofs import KeptProofs
from transfer.engine.bag.tag_files import put_tag_files, wrong_tag_files
from transfer.engine.medium import PinnedFolder
from transfer.engine.sizes import Sizes
from transfer.engine.surroundings import Surroundings
from transfer.errors import NightferryError

# What was read is written down so often: a run that is killed loses no more.
_PART_BYTES, _PART_FILES = 4 << 30, 2000
_WAIT_S = 60.0
_NEVER = date.min


class Part(NamedTuple):
    """Some files of one bag that are due, all of them last proven on one day, `last`.

    Without paths the bag's lists alone are read: they are not as they were written, or list nothing.
    """

    bag: str
    paths: tuple[str, ...]
    last: date


class Due(NamedTuple):
    """What is due in an archive, bag by bag, and how many files were proven since."""

    parts: tuple[Part, ...]
    not_due: int


def archive_around(path: Path) -> Path | None:
    """Return the archive that a path is or lies in; None where there is none."""
    return next((each for each in (path, *path.parents) if (each / MARK_NAME).is_file()), None)


def due(archive: PinnedFolder, before: datetime) -> Due:
    """Return the files whose last proof is older than `before`, or that have none. Raises OSError.

    A file that is not there, or has another size than is listed, is due whenever it was last proven; so are
    lists that are not as they were written: all are looked at, since they are small.
    """
    parts: list[Part] = []
    not_due = 0
    for bag in bags_of(archive.path).bags:
        listed = ArchiveBag(archive, bag)
        listed.load(lambda _: None)
        sizes = {path: held.size_bytes for path, held in listed.held.items()}
        if listed.damage or not sizes:
            parts.append(Part(bag, (), _NEVER))
            continue
        if wrong_tag_files(listed):
            parts.append(Part(bag, (), _NEVER))
        proofs, there = KeptProofs(listed), Sizes(archive)
        last: dict[str, datetime | None] = {}
        for path, size_bytes in sizes.items():
            proof = proofs.of(path) if there.of(listed.at(path)) == size_bytes else None
            last[path] = None if proof is None else proof.read_utc
        of_days: dict[date, list[str]] = {}
        for path, read_utc in last.items():
            if read_utc is None or read_utc < before:
                day = _NEVER if read_utc is None else read_utc.astimezone(UTC).date()
                of_days.setdefault(day, []).append(path)
        not_due += len(sizes) - sum(map(len, of_days.values()))
        parts += [Part(bag, part, day) for day, paths in of_days.items() for part in _parts(paths, sizes)]
    return Due(tuple(parts), not_due)


def _parts(paths: Sequence[str], sizes: dict[str, int]) -> Iterator[tuple[str, ...]]:
    part: list[str] = []
    size_bytes = 0
    for path in paths:
        if part and (len(part) == _PART_FILES or size_bytes + sizes[path] > _PART_BYTES):
            yield tuple(part)
            part, size_bytes = [], 0
        part.append(path)
        size_bytes += sizes[path]
    yield tuple(part)


class Readings(NamedTuple):
    """What reading some files of one bag gave: each file that was read, and those that are not there."""

    files: Sequence[FileRead]
    missing: Sequence[str]
    began_utc: datetime
    from_medium: bool


def keep_readings(root: Path, bag: str, readings: Readings, around: Surroundings) -> Finding | None:
    """Keep in a bag of the archive what was read of it; return why that cannot be kept. Never raises.

    Holds the archive meanwhile. A file that has changed since it was read is left out.
    """
    try:
        with held_archive(root, around, wait_s=_WAIT_S) as archive:
            try:
                keep_in(archive, bag, readings)
            except OSError as error:
                raise archive_failure(error, root) from error
    except NightferryError as error:
        detail = f"what was read could not be kept in its bag: {error.happened}"
        return Finding(FindingKind.NOT_KEPT, detail, str(root / bag))
    return None


def keep_in(archive: OpenArchive, bag: str, readings: Readings) -> None:
    """Keep what was read of a bag of an archive that this run holds. Raises OSError and DriveFailed."""
    listed = ArchiveBag(archive.folder, bag)
    if listed.unfinished:
        return  # the next filing reads what waits in it, and finishes it
    listed.load(lambda _: None)
    proofs, began_utc = KeptProofs(listed), readings.began_utc.replace(microsecond=0)
    for path, stamp, wrong in readings.files:
        facts = archive.folder.stat(listed.at(path))
        if path not in listed.held or facts is None or (facts.st_size, facts.st_mtime_ns) != stamp:
            continue
        if wrong:
            proofs.add_damage(path, wrong, began_utc)
        else:
            proofs.add(path, KeptProof(*stamp, began_utc, readings.from_medium))
    for path in readings.missing:
        if path in listed.held and archive.folder.stat(listed.at(path)) is None:
            proofs.add_damage(path, "it is not there", began_utc)
    if proofs.contents:
        proofs.keep_apart_what_is_lost()
        put_tag_files(listed, proofs.contents)


def bring_index_up_to_date(roots: Iterable[Path], around: Surroundings) -> None:
    """Have the index of each archive know that bags have other tag files now. Never raises."""
    for root in roots:
        try:
            with held_archive(root, around, wait_s=0.0) as archive:
                brought_up_to_date(archive.folder, on_network=archive.on_network)
        except NightferryError:
            continue  # whoever asks next brings it up to date
