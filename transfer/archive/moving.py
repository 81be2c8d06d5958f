"""Files of the archive moved from one place to another: copied, read back, listed, and only then removed.

`nightferry-moves.jsonl` in the archive's folder says which moves are under way. A run that dies leaves it,
and the next one that holds the archive finishes them: whatever a bag lists is there.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import NamedTuple

import humanize
import xxhash

from manifests.bags.entries import Entry
from manifests.findings import Finding, FindingKind
from manifests.index.believing import require_inside
from transfer.archive.as_proven import Look
from transfer.archive.held import OpenArchive, archive_failure
from transfer.archive.shelf import Shelf
from transfer.batches import batches
from transfer.engine.bag.durable import remove_if_there, write_durably
from transfer.engine.bag.lines import parent
from transfer.engine.bag.open import Arrival
from transfer.engine.medium import PinnedFolder, drive_has_left
from transfer.engine.medium.base import BLOCK_BYTES, write_all
from transfer.errors import DoesNotFit, NightferryError

MOVES_NAME = "nightferry-moves.jsonl"
_MOVES_AT_MOST_BYTES = 16 << 20
_TRIES = 3
# So much is at two places at a time, and so many files are open at once until they are flushed together.
_BATCH_BYTES, _BATCH_FILES = 1 << 30, 100
_ROOM_BYTES, _EACH_FILE_BYTES = 16 << 20, 8 << 10


class Move(NamedTuple):
    """A file of a bag that goes to another place: `entry` is what the bag there will list of it."""

    bag: str
    path: str
    to_bag: str
    entry: Entry

    @property
    def was_at(self) -> str:
        """The old place's path below the archive."""
        return f"{self.bag}/{self.path}"

    @property
    def to(self) -> str:
        """The new place's path below the archive."""
        return f"{self.to_bag}/{self.entry.path}"


def require_room(archive: OpenArchive, size_bytes: int = 0) -> None:
    """Check that lists and the index can be written, and so many bytes of files. Raises DoesNotFit."""
    needed, free = _ROOM_BYTES + size_bytes, archive.folder.free_bytes()
    if needed > free:
        room = f"{humanize.naturalsize(needed)} are needed, and {humanize.naturalsize(free)} are free"
        step = "Make room on it, then do this again: what has not moved is where it was."
        raise DoesNotFit(
            f"The archive's disk has no room for what is to be copied: {room}", archive.root, step
        )


@dataclass(slots=True)
class Mover:
    """Moves files in an archive that this run holds. `begin` is called with each batch before it is copied.

    `moved` are the moves that are done, `findings` say of the others why their files stay where they are.
    Every file that has no finding and is not moved was not tried.
    """

    archive: OpenArchive
    shelf: Shelf
    begin: Callable[[Sequence[Move]], None]
    go_on: Callable[[], bool]
    on_bytes: Callable[[int], None]
    moved: list[Move] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def move(self, moves: Iterable[Move]) -> None:
        """Move the files, a batch after the other, for as long as `go_on` says so.

        Raises NightferryError where the archive fails or has no room; what is moved by then stays so, and
        all other files are where they were.
        """
        try:
            for batch in batches(moves, _size_bytes_of, most_items=_BATCH_FILES, most_bytes=_BATCH_BYTES):
                if not self.go_on():
                    return
                self._move_batch(batch)
        except OSError as error:
            raise archive_failure(error, self.archive.root) from error

    def _move_batch(self, batch: Sequence[Move]) -> None:
        require_room(self.archive, sum(move.entry.size_bytes + _EACH_FILE_BYTES for move in batch))
        self.begin(batch)
        folder = self.archive.folder
        write_durably(folder, MOVES_NAME, b"".join(map(_line, batch)))
        self.shelf.begin()
        failure = self._copied_and_proven(batch)
        for bag in dict.fromkeys(move.to_bag for move in batch):
            self.shelf.publish(bag)
        done = [move for move in batch if self.shelf.is_listed(move.to)]
        for bag in dict.fromkeys(move.bag for move in done):
            self.shelf.take_out(bag, [move.path for move in done if move.bag == bag])
        self.moved += done
        _forget_moves(folder)
        if failure is not None:
            raise failure

    # Copying

    def _copied_and_proven(self, batch: Sequence[Move]) -> OSError | None:
        """Copy files and read them back, three times at most; return what made it end before its time.

        What is proven by then can still be listed.
        """
        todo = list(batch)
        for _ in range(_TRIES):
            try:
                self._copy(todo)
            except OSError as error:
                if drive_has_left(error):
                    raise
                self._prove(todo)
                return error
            todo = self._prove(todo)
        for move in todo:
            detail = "its copy did not match, three times: it stays where it was; look at the disk"
            self._note(FindingKind.NOT_PROVEN, detail, move)
        return None

    def _copy(self, moves: Sequence[Move]) -> None:
        """Copy files into parts, flush them together, and give those that are whole their names."""
        folder = self.archive.folder
        parts: list[tuple[Move, str, int]] = []
        try:
            for move in moves:
                part = self.shelf.new_part()
                remove_if_there(folder, part)
                parts.append((move, part, folder.create_file(part)))
                if not self._write(move, parts[-1][2]):
                    self._drop([parts.pop()])
            folder.flush_files([descriptor for _, _, descriptor in parts])
        except OSError:
            self._drop(parts)
            raise
        for _, _, descriptor in parts:
            os.close(descriptor)
        for bag in dict.fromkeys(move.to_bag for move, _, _ in parts):
            self._name(bag, [(move, part) for move, part, _ in parts if move.to_bag == bag])

    def _write(self, move: Move, descriptor: int) -> bool:
        """Copy one file; return whether it is what its bag lists."""
        sha256, xxh128 = hashlib.sha256(), xxhash.xxh3_128()
        try:
            for block in _blocks(self.archive.folder, move.was_at):
                sha256.update(block)
                xxh128.update(block)
                write_all(descriptor, block)
                self.on_bytes(len(block))
        except _Unreadable as error:
            self._note(FindingKind.UNREADABLE, f"{error}: it stays where it is", move)
            return False
        digests = move.entry.digests
        if (sha256.hexdigest(), xxh128.hexdigest()) != (digests.sha256, digests.xxh128):
            detail = "it is not what its bag lists: it stays where it is; file it again from a whole copy"
            self._note(FindingKind.CHANGED, detail, move)
            return False
        self.archive.folder.set_modified(descriptor, move.entry.modified_ns)
        return True

    def _drop(self, parts: Iterable[tuple[Move, str, int]]) -> None:
        for _, part, descriptor in parts:
            with suppress(OSError):
                os.close(descriptor)
            with suppress(OSError):  # else the next run removes it
                self.archive.folder.remove(part)

    def _name(self, bag: str, coming: Sequence[tuple[Move, str]]) -> None:
        refused = self.shelf.take(bag, [Arrival(part, move.entry, replaces=False) for move, part in coming])
        for move, _ in coming:
            if move.entry.path in refused:
                self._note(FindingKind.NOT_FILED, refused[move.entry.path], move)

    def _prove(self, moves: Sequence[Move]) -> list[Move]:
        """Read back what was copied; remove copies that do not match, and return the moves they are of.

        One bad copy has all that is not listed yet read back once more.
        """
        bad: list[Move] = []
        while True:
            self.shelf.prove(_uncounted, _always)
            found = [move for move in moves if move.entry.path in self.shelf.bad_in(move.to_bag)]
            if not found:
                return bad
            for move in found:
                self.shelf.give_up(move.to_bag, move.entry.path, source_is_there=True)
            self.shelf.doubt()
            bad += found

    def _note(self, kind: FindingKind, detail: str, move: Move) -> None:
        self.findings.append(Finding(kind, detail, str(self.archive.root / move.was_at)))


class _Unreadable(Exception):
    """A file that is to be moved cannot be read."""


def _blocks(folder: PinnedFolder, path: str) -> Iterator[bytes]:
    """Yield a file's content. Raises _Unreadable, and OSError where the disk has left."""
    try:
        with os.fdopen(folder.open_file(path), "rb", buffering=0) as file:
            while block := file.read(BLOCK_BYTES):
                yield block
    except OSError as error:
        if drive_has_left(error):
            raise
        raise _Unreadable(f"it cannot be read ({error.strerror or error})") from error


def _uncounted(count: int) -> None:
    """Count nothing: progress is what is copied."""


def _size_bytes_of(move: Move) -> int:
    return move.entry.size_bytes


def _always() -> bool:
    return True


# What a run that died has left


class _Under(NamedTuple):
    """A move that was under way when its run died."""

    bag: str
    path: str
    to_bag: str
    to_path: str
    sha256: str


def finish_moves(archive: OpenArchive, shelf: Shelf) -> list[Finding]:
    """Finish the moves of a run that died: what its new place has, listed and proven, leaves the old one.

    All bags are finished by now. A file that its new place has not stays where it was. Raises OSError and
    NightferryError where the archive cannot be written to.
    """
    findings: list[Finding] = []
    for move in _moves_under_way(archive.folder):
        try:
            if shelf.look(move.to_bag, move.to_path, move.sha256) is Look.AS_PROVEN:
                _leave(shelf, move)
        except NightferryError as error:
            where = str(archive.root / move.bag / move.path)
            findings.append(Finding(FindingKind.UNFINISHED, error.happened, where))
    if archive.folder.stat(MOVES_NAME) is not None:
        _forget_moves(archive.folder)
    return findings


def _leave(shelf: Shelf, move: _Under) -> None:
    """Take a file out of its old bag; one that has left the bag's list goes, if it is what was copied."""
    held = shelf.listed(move.bag).held.get(move.path)
    if held is not None and held.sha256 == move.sha256:
        shelf.take_out(move.bag, [move.path])
        return
    place = f"{move.bag}/{move.path}"
    if held is None and shelf.folder.stat(place) is not None and _sha256(shelf.folder, place) == move.sha256:
        shelf.folder.remove(place)
        shelf.folder.flush_folders([parent(place)])


def _sha256(folder: PinnedFolder, path: str) -> str:
    digest = hashlib.sha256()
    try:
        for block in _blocks(folder, path):
            digest.update(block)
    except _Unreadable:
        return ""
    return digest.hexdigest()


def _line(move: Move) -> bytes:
    under = _Under(move.bag, move.path, move.to_bag, move.entry.path, move.entry.digests.sha256)
    return json.dumps(under._asdict()).encode("ascii") + b"\n"


def _moves_under_way(folder: PinnedFolder) -> list[_Under]:
    """Read the moves that are under way; what is no move inside the archive is left out."""
    try:
        descriptor = folder.open_file(MOVES_NAME)
    except FileNotFoundError:
        return []
    with os.fdopen(descriptor, "rb") as file:
        lines = file.read(_MOVES_AT_MOST_BYTES).splitlines()
    found: list[_Under] = []
    for line in lines:
        with suppress(ValueError, TypeError, AttributeError, RecursionError):
            move = _Under(**json.loads(line))
            require_inside(move.bag, move.path)
            require_inside(move.to_bag, move.to_path)
            if (move.bag, move.path) != (move.to_bag, move.to_path):
                found.append(move)
    return found


def _forget_moves(folder: PinnedFolder) -> None:
    remove_if_there(folder, MOVES_NAME)
    folder.flush_folders([""])
