"""Damaged and missing files of a bag, written again from copies that prove themselves while they are read.

The manifest stays as it is: what is put in a file's place has the digest that it lists. So at any instant the
bag is as damaged as before, or whole. The order of acts: the copy is read past the caches, compared with the
manifest and written beside the bags, flushed and read back; a statement in the bag says what comes; what is
left of the damaged file goes into the bag's nightferry/set-aside; the copy gets its name and is read back
there; and the bag says that it holds.
"""

from __future__ import annotations

import hashlib
import itertools
import os
from collections.abc import Callable, Generator, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

import xxhash

from manifests.bags.entries import Entry
from manifests.bags.healings import HEALED, Healing, begun_statement, healings, whole_statement
from manifests.bags.kept_proofs import KeptProof
from manifests.bags.paths import SET_ASIDE, said_in
from manifests.bags.statements import LONGEST_STATEMENT, Statement, statements_of, with_statement
from manifests.index.found_bags import bags_of
from transfer.archive.bags import ArchiveBag
from transfer.archive.contents import Holdings
from transfer.archive.held import OpenArchive
from transfer.archive.proofs import KeptProofs
from transfer.engine.bag.durable import remove_if_there
from transfer.engine.bag.lines import parent, read_lines
from transfer.engine.bag.readback import Compared, Copy, Outcome, read_back
from transfer.engine.bag.tag_files import put_tag_files
from transfer.engine.medium import PinnedFolder, ReadBack
from transfer.engine.medium.base import write_all

PATH = said_in(HEALED)
_PART = "nightferry-incoming/heal-{}.part"
_TRIES = 3
_BATCH_FILES, _BATCH_BYTES = 100, 2 << 30
_LIES = "the disk does not give back what was written to it: look at it before you trust it further"


class NotHealed(NamedTuple):
    """A file that is as damaged as before, by its path in the bag, and why."""

    path: str
    why: str


class NoCopy(Exception):
    """Why a copy cannot be used."""


@dataclass(frozen=True, slots=True)
class Donor:
    """Where copies come from: an archive, or a drive with bags. It is only read."""

    name: str
    folder: PinnedFolder
    holdings: Holdings
    _bags: dict[str, ArchiveBag] = field(default_factory=dict)

    def copies(self, entry: Entry) -> list[str]:
        """Return the paths below the donor where its bags list a content.

        The index is only a hint: where it knows of none, every bag is asked. Raises OSError.
        """
        sha256 = entry.digests.sha256
        found = [
            f"{holding.bag}/{holding.path}"
            for holding in self.holdings.of([sha256]).get(sha256, ())
            if self._lists(holding.bag, holding.path, sha256)
        ]
        return found or [
            f"{bag}/{path}"
            for bag in bags_of(self.folder.path).bags
            for path, held in self._listed(bag).held.items()
            if held.sha256 == sha256
        ]

    def _lists(self, bag: str, path: str, sha256: str) -> bool:
        held = self._listed(bag).held.get(path)
        return held is not None and held.sha256 == sha256

    def _listed(self, bag: str) -> ArchiveBag:
        if bag not in self._bags:
            self._bags[bag] = ArchiveBag(self.folder, bag)
            self._bags[bag].load(lambda _: None)
        return self._bags[bag]

    def blocks(self, path: str) -> Generator[bytes]:
        """Yield a copy's blocks, read past the caches. Raises NoCopy."""
        try:
            self.folder.chill()
            with self.folder.cold([path]) as group:
                # Copied: the reader's buffer cannot be given back while a block of it is in use elsewhere.
                yield from map(bytes, group.blocks(path))
        except OSError as error:
            raise NoCopy(f"{path} cannot be read ({error.strerror or error})") from error


class _Ready(NamedTuple):
    """A proven copy that waits beside the bags for its place."""

    entry: Entry
    part: str
    wrong: str
    copy: str


@dataclass(slots=True)
class Healer:
    """Heals bags of one archive, which this run holds. Raises OSError and NightferryError.

    `on_bytes` gets the bytes that were written; between files, `go_on` may end it.
    """

    archive: OpenArchive
    donor: Donor
    clock: Callable[[], datetime]
    on_bytes: Callable[[int], None]
    go_on: Callable[[], bool]
    _numbers: Iterator[int] = field(default_factory=lambda: itertools.count(1))

    @property
    def _folder(self) -> PinnedFolder:
        return self.archive.folder

    def heal(self, bag: str, wrong: Mapping[str, str]) -> tuple[list[Healing], list[NotHealed]]:
        """Write files again, by their paths in a bag, and what is wrong with each."""
        listed = ArchiveBag(self._folder, bag)
        entries: dict[str, Entry] = {}
        listed.load(lambda entry: entries.__setitem__(entry.path, entry) if entry.path in wrong else None)
        healed: list[Healing] = []
        left = [NotHealed(path, "its bag does not list it") for path in wrong if path not in entries]
        self._folder.flush_folders(sorted(self._folder.make_folders(parent(_PART))))
        batch: list[_Ready] = []
        for entry in entries.values():
            if not self.go_on():
                left.append(NotHealed(entry.path, "the run ended before"))
                continue
            ready = self._ready(entry, wrong[entry.path])
            if isinstance(ready, NotHealed):
                left.append(ready)
                continue
            batch.append(ready)
            if len(batch) == _BATCH_FILES or sum(each.entry.size_bytes for each in batch) > _BATCH_BYTES:
                healed += self._put_in_place(listed, batch, left)
                batch = []
        healed += self._put_in_place(listed, batch, left) if batch else []
        return healed, left

    # A copy beside the bags

    def _ready(self, entry: Entry, wrong: str) -> _Ready | NotHealed:
        """Bring a copy that holds beside the bags, proven; or return why there is none."""
        why = f"{self.donor.name} has no copy of it"
        for copy in self.donor.copies(entry):
            for _ in range(_TRIES):
                part = _PART.format(next(self._numbers))
                try:
                    self._copy(entry, copy, part)
                except NoCopy as error:
                    remove_if_there(self._folder, part)
                    why = str(error)
                    break  # another copy may hold
                compared = self._compared(part, entry)
                if compared.outcome is Outcome.EQUAL:
                    return _Ready(entry, part, wrong, copy)
                remove_if_there(self._folder, part)
                why = _LIES
        return NotHealed(entry.path, why)

    def _copy(self, entry: Entry, copy: str, part: str) -> None:
        """Copy a file, flushed. Raises NoCopy where the copy is not what the bag lists, or cannot be read."""
        sha256, xxh128, size_bytes = hashlib.sha256(), xxhash.xxh3_128(), 0
        descriptor = self._folder.create_file(part)
        try:
            with closing(self.donor.blocks(copy)) as blocks:
                for block in blocks:
                    sha256.update(block)
                    xxh128.update(block)
                    size_bytes += len(block)
                    write_all(descriptor, block)
                    self.on_bytes(len(block))
            if (size_bytes, sha256.hexdigest()) != (entry.size_bytes, entry.digests.sha256):
                raise NoCopy(f"{copy} of {self.donor.name} does not hold, either")
            if xxh128.hexdigest() != entry.digests.xxh128:
                raise NoCopy("its entry lists digests of two contents: file it again")
            self._folder.set_modified(descriptor, entry.modified_ns)
            self._folder.flush_files([descriptor])
        finally:
            os.close(descriptor)

    def _compared(self, path: str, entry: Entry) -> Compared:
        copies = [Copy(path, entry.size_bytes, entry.digests.xxh128)]
        (compared,) = read_back(self._folder, copies, lambda _: None, lambda: True)
        return compared

    # Into its place

    def _put_in_place(self, listed: ArchiveBag, batch: list[_Ready], left: list[NotHealed]) -> list[Healing]:
        begun = self._announced(listed, batch)
        proofs, healed = KeptProofs(listed), list[Healing]()
        for ready, healing in zip(batch, begun, strict=True):
            self._give_place(listed, ready, healing)
            read_utc, facts = self.clock().replace(microsecond=0), self._folder.stat(listed.at(healing.path))
            compared = self._compared(listed.at(healing.path), ready.entry)
            if compared.outcome is Outcome.EQUAL and facts is not None:
                from_medium = compared.evidence.read_back is ReadBack.MEDIUM
                proof = KeptProof(facts.st_size, facts.st_mtime_ns, read_utc, from_medium)
                proofs.add(healing.path, proof)
                healed.append(healing)
            else:
                proofs.add_damage(healing.path, _LIES, read_utc)
                left.append(NotHealed(healing.path, _LIES))
        said = self._said(listed, [whole_statement([each.path for each in healed], self.clock())])
        put_tag_files(listed, proofs.contents | (said if healed else {}))
        return healed

    def _announced(self, listed: ArchiveBag, batch: list[_Ready]) -> list[Healing]:
        """Say in the bag what is about to be put in whose place; return it."""
        now, taken = self.clock(), {name for name, _ in self._folder.names(listed.at(SET_ASIDE))}
        begun = []
        for ready in batch:
            path, aside = ready.entry.path, ""
            if self._folder.stat(listed.at(path)) is not None:
                name = path.rpartition("/")[2]
                number = next(n for n in itertools.count(1) if f"{n} {name}" not in taken)
                taken.add(f"{number} {name}")
                aside = f"{SET_ASIDE}/{number} {name}"
            begun.append(Healing(path, now, ready.wrong, self.donor.name, ready.copy, aside))
        put_tag_files(listed, self._said(listed, _statements(begun, now)))
        return begun

    def _said(self, listed: ArchiveBag, statements: list[Statement]) -> dict[str, bytes]:
        content = b"".join(read_lines(self._folder, listed.at(PATH)))
        for statement in statements:
            content = with_statement(content, statement)
        return {PATH: content}

    def _give_place(self, listed: ArchiveBag, ready: _Ready, healing: Healing) -> None:
        folder, place = self._folder, listed.at(healing.path)
        changed = folder.make_folders(parent(place)) | {parent(place), parent(ready.part)}
        if healing.set_aside:
            changed |= folder.make_folders(listed.at(SET_ASIDE)) | {listed.at(SET_ASIDE)}
            folder.replace(place, listed.at(healing.set_aside))
            folder.flush_folders(sorted(changed))
        folder.replace(ready.part, place)
        folder.flush_folders(sorted(changed))

    # What an earlier run left

    def end_earlier(self, bag: str, whole: set[str]) -> None:
        """Say of files that an earlier run put in place, and that were read now and hold, that they do."""
        listed = ArchiveBag(self._folder, bag)
        lines = read_lines(self._folder, listed.at(PATH))
        told = healings(statements_of(lines, HEALED).statements)
        begun = dict.fromkeys(each.path for each in told if not each.whole)
        if paths := [path for path in begun if path in whole]:
            put_tag_files(listed, self._said(listed, [whole_statement(paths, self.clock())]))


def _statements(begun: list[Healing], now: datetime) -> list[Statement]:
    """Return the statements of what is begun, each short enough for a line."""
    in_each = max(1, LONGEST_STATEMENT // 4096)
    return [begun_statement(begun[at : at + in_each], now) for at in range(0, len(begun), in_each)]
