"""The removal itself: hashed again, compared, written to the ledger, and only then removed.

Files go in batches: each is opened and hashed, all are written to the ledger with one flush, and each is
removed by the descriptor that it was hashed by, if nobody has it open and nothing has touched it since. While
one batch is removed the next is read: a disk that is freeing blocks would wait for the digests otherwise.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, timedelta

from transfer.batches import batches
from transfer.engine.bag.lines import parent
from transfer.engine.ledger import Ledger
from transfer.engine.medium import PinnedFolder
from transfer.engine.reread import Copy, CopyDamaged, Kept, Reading, Stays, ToldToStop, close_read
from transfer.engine.surroundings import Surroundings
from transfer.events import Phase, PhaseBegan, PhaseEnded
from transfer.jobs.clear.plan import MayGo

# Each file of two batches is held open: systems allow 256 at least.
_BATCH_FILES = 100
# One waits for the disk while the other digests.
_READERS = 2
_BATCH_BYTES = 512 << 20
# Where the system does not say whether a program has a file open, one that was just written stays.
_RESTS = timedelta(hours=1)
_WHAT = "what may go"


def _require(holds: object, why: str) -> None:
    if not holds:
        raise Kept(why)


@dataclass(frozen=True, slots=True)
class _Held:
    """A file that was hashed and is what was proven elsewhere: open, with its facts from before that."""

    going: MayGo
    descriptor: int
    facts: os.stat_result


@dataclass(slots=True)
class Removal:
    """Removes files from their sources' pinned folders. What it did is in `removed` and `stays`.

    `copies` are those on drives and in archives that are here, by SHA-256: each is read before a source goes
    that relies on it, since a copy can have changed without any change of its size or time.
    """

    folders: Mapping[str, PinnedFolder]
    copies: Mapping[str, list[Copy]]
    ledger: Ledger
    around: Surroundings
    removed: list[MayGo] = field(default_factory=list)
    stays: list[Stays] = field(default_factory=list)
    emptied: set[tuple[str, str]] = field(default_factory=set)
    damaged: list[Copy] = field(default_factory=list)

    @property
    def _reading(self) -> Reading:
        return Reading(self.around.stop, self.around.listen, _WHAT)

    def remove(self, going: Iterable[MayGo]) -> None:
        """Remove files, until the run has to end. Raises NightferryError where the ledger fails."""
        all_of_them = list(going)
        total = sum(each.file.size_bytes + self._to_read_of_copies(each) for each in all_of_them)
        self.around.listen(PhaseBegan(Phase.CLEARING, _WHAT, total))
        self._remove_in_batches(all_of_them)
        self.around.listen(PhaseEnded(Phase.CLEARING, _WHAT))
        self._remove_folders()
        self._flush_sources()
        self._remember_damaged()

    def _remove_in_batches(self, going: Iterable[MayGo]) -> None:
        with ThreadPoolExecutor(_READERS, "clear") as readers:
            ahead: list[Future[_Held | Stays | None]] = []
            try:
                for batch in (*_in_batches(going), []):
                    wanted = [] if self.around.stop.why else batch
                    coming, ahead = ahead, [readers.submit(self._looked_at, each) for each in wanted]
                    self._remove_batch([each.result() for each in coming])
            finally:
                for each in ahead:
                    if not each.cancel() and isinstance(held := each.result(), _Held):
                        close_read(held.descriptor)

    def _to_read_of_copies(self, going: MayGo) -> int:
        return len(self.copies.get(going.version.sha256, ())) * going.version.size_bytes

    def _remove_batch(self, looked_at: list[_Held | Stays | None]) -> None:
        held = [each for each in looked_at if isinstance(each, _Held)]
        self.stays += [each for each in looked_at if isinstance(each, Stays)]
        try:
            if held and not self.around.stop.why:
                self.ledger.write([each.going.in_ledger for each in held], self.around.clock())
                for each in held:
                    self._removed(each)
        finally:
            for each in held:
                close_read(each.descriptor)

    def _looked_at(self, going: MayGo) -> _Held | Stays | None:
        """Open a file and hash it again; return why it stays, or None where the run has to end."""
        try:
            return self._hashed(going)
        except ToldToStop:
            return None
        except (Kept, OSError) as error:
            if isinstance(error, CopyDamaged):
                self.damaged.append(error.copy)
            return Stays(going.shown, _told(error))

    def _removed(self, held: _Held) -> None:
        """Remove a file, or note why it stays."""
        try:
            self._remove(held)
        except (Kept, OSError) as error:
            self.stays.append(Stays(held.going.shown, _told(error)))
            return
        self.removed.append(held.going)
        self.emptied.add((held.going.file.source, parent(held.going.file.path)))

    # Before

    def _hashed(self, going: MayGo) -> _Held:
        """Open a file and hash it again. Raises Kept, OSError, and ToldToStop."""
        file = going.file
        descriptor = self.folders[file.source].open_to_remove(file.path)
        try:
            facts = os.fstat(descriptor)
            same = (facts.st_size, facts.st_mtime_ns) == (file.size_bytes, file.modified_ns)
            _require(same, "it has changed since it was looked at")
            proven = self._proven(going, descriptor)
            self._reading.require(self.copies.get(proven.version.sha256, ()), proven.version.sha256)
        except BaseException:
            close_read(descriptor)
            raise
        return _Held(proven, descriptor, facts)

    def _proven(self, going: MayGo, descriptor: int) -> MayGo:
        """Return which proven content an open file has, or begins. Raises Kept."""
        sha256 = self._reading.sha256(descriptor)
        for each in (going, *going.others):
            if sha256 == (self._beginning_of_a_copy(each) if each.is_beginning else each.version.sha256):
                return each
        raise Kept("its content is not what is proven elsewhere")

    def _beginning_of_a_copy(self, going: MayGo) -> str:
        """Return the SHA-256 of the first bytes of a longer copy that is still what was proven."""
        for copy in self.copies.get(going.version.sha256, ()):
            beginning, whole = self._reading.beginning_and_whole(copy, going.file.size_bytes)
            if whole == going.version.sha256:
                return beginning
        raise Kept("the longer log that it is the beginning of cannot be read on the drive")

    # The act

    def _remove(self, held: _Held) -> None:
        """Remove a file if it is alone and as it was hashed. Raises Kept and OSError."""
        file, now = held.going.file, self.around.clock()
        with self.around.medium.alone_with(held.descriptor) as alone:
            _require(alone is not False, "another program has it open")
            rests = file.modified_ns / 1e9 <= (now - _RESTS).timestamp()
            _require(alone or rests, "written within the last hour, perhaps by a program at work")
            unchanged = _marks(os.fstat(held.descriptor)) == _marks(held.facts)
            _require(unchanged, "it has changed since it was hashed")
            self.folders[file.source].remove_opened(held.descriptor, file.path)

    # After

    def _remove_folders(self) -> None:
        """Remove the folders that have nothing left in them, but never a source's own."""
        for source, path in sorted(self.emptied, key=lambda each: -each[1].count("/")):
            while path and self._removed_folder(source, path):
                path = parent(path)

    def _flush_sources(self) -> None:
        """Bring the removals to the medium: a driver that dies half way through them may lose other files."""
        for source in {source for source, _ in self.emptied}:
            with suppress(OSError):  # what went is proven elsewhere, flushed or not
                self.folders[source].flush_folders([""])

    def _remember_damaged(self) -> None:
        """Keep which copies on drives were found damaged: the next send carries them again."""
        for copy in self.damaged:
            night, _, path = copy.path.partition("/")
            if copy.place.kind == "drive":
                self.around.records.keep_damaged(copy.place.id, date.fromisoformat(night), [path])

    def _removed_folder(self, source: str, path: str) -> bool:
        try:
            self.folders[source].remove_folder(path)
        except OSError:
            return False  # something else is in it, or another of its files has taken it away
        return True


def _in_batches(going: Iterable[MayGo]) -> Iterator[list[MayGo]]:
    return batches(going, lambda each: each.file.size_bytes, most_items=_BATCH_FILES, most_bytes=_BATCH_BYTES)


def _marks(facts: os.stat_result) -> tuple[int, ...]:
    """Return what every write to a file changes."""
    return facts.st_dev, facts.st_ino, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns


def _told(error: Kept | OSError) -> str:
    if isinstance(error, Kept):
        return str(error)
    if isinstance(error, FileNotFoundError):
        return "it has gone"
    if error.errno == errno.EXDEV:
        return "it lies on another volume than its source's folder"
    if error.errno == errno.EBUSY:
        return "another program has it open"
    return error.strerror or str(error)
