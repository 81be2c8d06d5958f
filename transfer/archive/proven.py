"""Which contents an archive that is here has now, and when each was last read back there."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from datetime import date, datetime
from typing import NamedTuple

from manifests.bags.entries import Entry
from manifests.bags.kept_proofs import KeptProof
from manifests.index.found_bags import bags_of
from transfer.archive.bags import ArchiveBag
from transfer.archive.proofs import KeptProofs
from transfer.engine.medium import PinnedFolder


class ProvenContent(NamedTuple):
    """A file of the archive: where it came from, its night, its content, and when that was last proven.

    `path` is where it lies below the archive; `modified_ns` is the time that its source had.
    """

    path: str
    source: str
    original: str
    night: date
    sha256: str
    size_bytes: int
    read_back_utc: datetime
    modified_ns: int


def proven_contents(archive: PinnedFolder) -> Iterator[ProvenContent]:
    """Yield the files of all bags that are there as they were when they were read back from the medium.

    A bag whose list is not what was written is left out, and so is a file whose size or time has changed
    since. Raises OSError.
    """
    for path in bags_of(archive.path).bags:
        listed = ArchiveBag(archive, path)
        entries: list[Entry] = []
        listed.load(entries.append)
        proofs = KeptProofs(listed)
        for entry in () if listed.damage else entries:
            proof = proofs.of(entry.path)
            if proof is not None and proof.from_medium and _is_as_it_was(listed, entry, proof):
                yield ProvenContent(
                    listed.at(entry.path),
                    entry.source,
                    entry.original,
                    entry.night,
                    entry.digests.sha256,
                    entry.size_bytes,
                    proof.read_utc,
                    entry.modified_ns,
                )


def _is_as_it_was(listed: ArchiveBag, entry: Entry, proof: KeptProof) -> bool:
    facts = listed.folder.stat(listed.at(entry.path))
    return (
        facts is not None
        and stat.S_ISREG(facts.st_mode)
        and facts.st_size == proof.size_bytes == entry.size_bytes
        and facts.st_mtime_ns == proof.modified_ns
    )
