"""Verifies a bag against its files: reads every byte once and reports what does not match."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from manifests.bags.contents import Stamp, survey
from manifests.bags.declared import Bag
from manifests.bags.hashing import Digested, Job, Read, digest_files, read_plainly
from manifests.bags.inventory import Inventory, Listed, take_inventory
from manifests.bags.paths import BAG_INFO, PAYLOAD
from manifests.findings import Finding, FindingKind


@dataclass(frozen=True, slots=True)
class Verification:
    """The result of checking one bag.

    `verified` counts the payload files whose digests were computed and hold, in every manifest;
    `bytes_verified` is their size. A quick check reads nothing and verifies nothing: `agreed` counts
    the payload files that are there, and as large and as old as they should be where that is known.
    It is not `complete` where the check was ended before every file was read.
    """

    path: Path
    quick: bool = False
    verified: int = 0
    bytes_verified: int = 0
    agreed: int = 0
    findings: tuple[Finding, ...] = ()
    complete: bool = True

    @property
    def holds(self) -> bool:
        """Whether everything was checked and nothing is wrong with the bag."""
        return self.complete and not self.findings

    def of_kind(self, kind: FindingKind) -> tuple[Finding, ...]:
        """Return the findings of one kind, in their order."""
        return tuple(finding for finding in self.findings if finding.kind is kind)

    @property
    def missing(self) -> tuple[Finding, ...]:
        """What is listed and not there."""
        return self.of_kind(FindingKind.MISSING)

    @property
    def changed(self) -> tuple[Finding, ...]:
        """What differs from a manifest."""
        return self.of_kind(FindingKind.CHANGED)

    @property
    def unlisted(self) -> tuple[Finding, ...]:
        """What is there and in no manifest, or not in every one."""
        return self.of_kind(FindingKind.UNLISTED)

    @property
    def malformed(self) -> tuple[Finding, ...]:
        """What the bag's lists say in an invalid way."""
        return self.of_kind(FindingKind.MALFORMED)

    @property
    def unreadable(self) -> tuple[Finding, ...]:
        """What could not be read: nothing is known about it."""
        return self.of_kind(FindingKind.UNREADABLE)

    @property
    def unfinished(self) -> tuple[Finding, ...]:
        """What an interrupted run of ours left unfinished."""
        return self.of_kind(FindingKind.UNFINISHED)

    def as_json(self) -> dict[str, Any]:
        """Return it as `check --json` lists a bag: counts, and the paths of each kind."""
        kinds = ("missing", "changed", "unlisted", "malformed", "unreadable", "unfinished")
        listed: dict[str, list[Finding]] = {kind: list(getattr(self, kind)) for kind in kinds}
        return {
            "path": str(self.path),
            "quick": self.quick,
            "verified": self.verified,
            "bytes_verified": self.bytes_verified,
            "agreed": self.agreed,
            "complete": self.complete,
        } | {kind: [finding.path for finding in found] for kind, found in listed.items()}


def nothing(count: int) -> None:
    """Ignore progress."""


def always() -> bool:
    """Go on to the end."""
    return True


class FileRead(NamedTuple):
    """One payload file that was read: how it was before that, and what is wrong with it, if anything is."""

    path: str
    stamp: Stamp
    wrong: str


def to_nobody(read: FileRead) -> None:
    """Ignore what came of a file."""


def verify(
    bag: Bag,
    read: Read = read_plainly,
    progress: Callable[[int], None] = nothing,
    go_on: Callable[[], bool] = always,
    only: Collection[str] | None = None,
    on_file: Callable[[FileRead], None] = to_nobody,
) -> Verification:
    """Prove a bag: read each listed file once, digest it as every manifest needs, and compare.

    `read` yields a file's blocks; its OSError makes that file unreadable, never changed. `progress` is called
    with bytes as they are digested. After a payload file, `go_on` may end it. With `only`, no payload file
    but these (by their paths on the disk) is read, in this order. `on_file` gets each payload file that was
    read. Writes nothing. Raises what `read` raises beside OSError.
    """
    proof = _Proof(bag, take_inventory(bag), only, on_file)
    with contextlib.closing(digest_files(bag.path, proof.jobs(), read, progress)) as results:
        for digested in results:
            proof.take(digested)
            if proof.is_payload(digested) and not go_on():
                return proof.verification(complete=False)
    return proof.verification(complete=True)


def expected_bytes(bag: Bag) -> int:
    """Return about how many bytes `verify` will read: by the Payload-Oxum, else by the payload's sizes."""
    if bag.oxum is not None:
        return bag.oxum.size_bytes
    files = survey(bag.path, (PAYLOAD,)).files
    return sum(stamp.size_bytes for path, stamp in files.items() if path.startswith(f"{PAYLOAD}/"))


class _Proof:
    """Collects the results of digesting one bag's files."""

    def __init__(
        self,
        bag: Bag,
        inventory: Inventory,
        only: Collection[str] | None,
        on_file: Callable[[FileRead], None],
    ) -> None:
        self._bag = bag
        self._inventory = inventory
        self._only = only
        self._on_file = on_file
        self._verified = 0
        self._bytes_verified = 0

    def jobs(self) -> Iterator[Job]:
        """Yield tag files first, which list the others, then payload in its manifest's order."""
        yield from self._jobs_of(self._inventory.tags)
        for listed in (self._inventory.payload, self._inventory.waiting):
            wanted = listed if self._only is None else {p: listed[p] for p in self._only if p in listed}
            yield from self._jobs_of(wanted)

    def _jobs_of(self, listed: Listed) -> Iterator[Job]:
        for path, expected in listed.items():
            comparable = tuple(one for one in expected if one.manifest.algorithm is not None)
            if comparable:
                yield Job(path, self._inventory.file(path), comparable)

    def take(self, digested: Digested) -> None:
        path = digested.job.path
        self._hand_on(digested)
        if digested.unreadable:
            self._say(FindingKind.UNREADABLE, digested.unreadable, path)
        elif digested.wrong and path in self._inventory.waiting:
            self._say(FindingKind.UNFINISHED, "is not whole yet, or another content's name", path)
        elif digested.wrong:
            self._say(FindingKind.CHANGED, digested.wrong, path)
        elif path not in self._inventory.tags:
            self._verified += 1
            self._bytes_verified += digested.size_bytes

    def is_payload(self, digested: Digested) -> bool:
        """Return whether a file is no tag file: those are few and small, and read whatever else is."""
        return digested.job.path not in self._inventory.tags

    def _hand_on(self, digested: Digested) -> None:
        stamp = self._inventory.contents.files.get(digested.job.path)
        if stamp is not None and digested.job.path in self._inventory.payload:
            wrong = digested.wrong or digested.unreadable
            self._on_file(FileRead(digested.job.path, stamp, wrong))

    def _say(self, kind: FindingKind, detail: str, path: str) -> None:
        self._inventory.findings.append(Finding(kind, detail, path))

    def verification(self, *, complete: bool) -> Verification:
        """Return the result. The Payload-Oxum is compared only where nothing else is wrong."""
        if complete and self._only is None and not self._inventory.findings:
            self._inventory.findings += oxum_findings(self._bag, self._bytes_verified, self._verified)
        return Verification(
            path=self._bag.path,
            verified=self._verified,
            bytes_verified=self._bytes_verified,
            findings=tuple(self._inventory.findings),
            complete=complete,
        )


def oxum_findings(bag: Bag, size_bytes: int, files: int) -> list[Finding]:
    """Compare what is there with the Payload-Oxum, where the bag has one."""
    if bag.oxum is None or bag.oxum == (size_bytes, files):
        return []
    said, found = f"{bag.oxum.size_bytes}.{bag.oxum.files}", f"{size_bytes}.{files}"
    return [Finding(FindingKind.MALFORMED, f"Payload-Oxum says {said}; the payload is {found}", BAG_INFO)]
