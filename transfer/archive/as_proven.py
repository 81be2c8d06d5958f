"""Whether files of the archive are still as they were when they were last read back, and what is damaged."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator
from datetime import datetime
from enum import Enum
from pathlib import Path
from typing import NamedTuple

from manifests.bags.kept_proofs import KeptProof
from manifests.findings import Finding, FindingKind
from transfer.archive.bags import ArchiveBag, Held
from transfer.archive.proofs import KeptProofs
from transfer.engine.bag.readback import Compared, Copy, Outcome, read_back
from transfer.engine.medium import PinnedFolder, ReadBack


class Look(Enum):
    """What looking at a place in a bag gave."""

    NOT_LISTED = "not listed"
    AS_PROVEN = "as proven"
    DAMAGED = "damaged"


class Damage(NamedTuple):
    """A file of the archive that is not what its bag lists any more.

    `place` is its path below the archive, `path` the whole, `sha256` the content that it had; `mended` once
    it was filed anew, and listed.
    """

    place: str
    sha256: str
    path: str
    wrong: str
    mended: bool

    @property
    def finding(self) -> Finding:
        """The damage as a finding."""
        done = "what was left of it is kept in nightferry/set-aside, and it was filed anew"
        left = "it is filed anew from a drive or a folder that has it"
        detail = f"the archive's copy is not what was filed: {self.wrong}; {done if self.mended else left}"
        return Finding(FindingKind.CHANGED, detail, self.path)


class AsProven:
    """Looks at the files of an archive's bags, and keeps the proofs of those that it or the run has read.

    `listed` returns a bag by its path. For one thread at a time. Raises OSError.
    """

    def __init__(
        self, folder: PinnedFolder, listed: Callable[[str], ArchiveBag], clock: Callable[[], datetime]
    ) -> None:
        self._folder = folder
        self._listed = listed
        self._clock = clock
        self._proofs: dict[str, KeptProofs] = {}
        self._wrong: dict[str, tuple[str, str]] = {}
        self._damaged: set[str] = set()

    # Proofs

    def proofs(self, bag: str) -> KeptProofs:
        """Return the last readings of a bag's files."""
        if bag not in self._proofs:
            self._proofs[bag] = KeptProofs(self._listed(bag))
        return self._proofs[bag]

    def of_every_bag(self) -> Iterator[tuple[str, KeptProofs]]:
        """Return the bags that were looked at, with their proofs."""
        return iter(self._proofs.items())

    def now(self) -> datetime:
        """Return the time that a reading which begins now gets."""
        return self._clock().replace(microsecond=0)

    def keep(
        self, bag: str, path: str, facts: os.stat_result, compared: Compared, read_utc: datetime
    ) -> None:
        """Keep the proof of a file that was read; `facts` are the file's from before that."""
        from_medium = compared.evidence.read_back is ReadBack.MEDIUM
        proof = KeptProof(facts.st_size, facts.st_mtime_ns, read_utc, from_medium)
        self.proofs(bag).add(path, proof)

    def replaced(self, bag: str, path: str) -> None:
        """Forget what was known of a file: another one has come to its place."""
        self.proofs(bag).drop(path)
        self._damaged.discard(f"{bag}/{path}")

    def forget(self, keep: Collection[str]) -> None:
        """Forget the proofs of all bags but these: they are read again when they are next needed."""
        self._proofs = {bag: proofs for bag, proofs in self._proofs.items() if bag in keep}

    # Looking

    def look(self, bag: str, path: str, held: Held) -> Look:
        """Look whether a listed file is as it was proven; one with another size or time is read."""
        place = f"{bag}/{path}"
        if place not in self._damaged and not self._is_as_proven(bag, path, held):
            wrong = self._read_again(bag, path, held)
            if wrong:
                self._wrong[place] = wrong, held.sha256
                self._damaged.add(place)
                self.proofs(bag).add_damage(path, wrong, self.now())
        return Look.DAMAGED if place in self._damaged else Look.AS_PROVEN

    def _is_as_proven(self, bag: str, path: str, held: Held) -> bool:
        facts, proof = self._folder.stat(f"{bag}/{path}"), self.proofs(bag).of(path)
        if facts is None or proof is None or facts.st_size != held.size_bytes:
            return False
        return (facts.st_size, facts.st_mtime_ns) == (proof.size_bytes, proof.modified_ns)

    def _read_again(self, bag: str, path: str, held: Held) -> str:
        """Read a file back and keep its proof; return what is wrong with it, or nothing."""
        copy, read_utc = Copy(f"{bag}/{path}", held.size_bytes, held.xxh128), self.now()
        facts = self._folder.stat(copy.path)
        if facts is None:
            return "it is not there"
        if facts.st_size != held.size_bytes:
            return f"it has {facts.st_size:,} bytes instead of {held.size_bytes:,}"
        (compared,) = read_back(self._folder, [copy], lambda _: None, lambda: True)
        if compared.outcome is Outcome.UNREADABLE:
            return f"it cannot be read ({compared.reason})"
        if compared.outcome is Outcome.DIFFERENT:
            return "it has other content"
        self.keep(bag, path, facts, compared, read_utc)
        return ""

    def is_damaged(self, place: str) -> bool:
        """Return whether a file was found damaged, and was not replaced since."""
        return place in self._damaged

    def damage(self, root: Path, mended: Collection[str]) -> list[Damage]:
        """Return what was found damaged in the archive at `root`; `mended` are places that are good again."""
        return [
            Damage(place, sha256, str(root / place), wrong, place in mended)
            for place, (wrong, sha256) in self._wrong.items()
        ]
