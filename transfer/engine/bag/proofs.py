"""Which files of a bag stand whole on the drive under their final names, and which of them are proven."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from manifests.bags.entries import Entry
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.readback import Compared, Copy, Outcome, read_back, unreported
from transfer.engine.medium import ReadBack


class _Settled(NamedTuple):
    """A file that stands whole on the drive and is not in the manifest yet: its line, and its copy."""

    line_start: int
    size_bytes: int
    xxh128: str


class Proofs:
    """What one run has settled in one bag, and what reading it back gave.

    `found_bad` are the paths whose copies are not what was written, `methods` how copies were read;
    `remedies` are commands after which they would be read from the medium.
    """

    def __init__(self, listed: ListedBag) -> None:
        self._listed = listed
        self.methods: set[str] = set()
        self.remedies: set[str] = set()
        self.found_bad: set[str] = set()
        self._settled: dict[str, _Settled] = {}
        self._proven: dict[str, ReadBack] = {}

    def settle(self, entry: Entry, line_start: int) -> None:
        """Record a complete, named file, with its line in the journal, that has not been read back yet."""
        self._settled[entry.path] = _Settled(line_start, entry.size_bytes, entry.digests.xxh128)
        self._proven.pop(entry.path, None)
        self.found_bad.discard(entry.path)

    def forget(self, path: str) -> None:
        """Forget a file that has left its place."""
        del self._settled[path]
        self.found_bad.discard(path)

    def __contains__(self, path: str) -> bool:
        return path in self._settled

    # How it stands

    @property
    def proven(self) -> set[str]:
        """Return the paths that this run has proven."""
        return set(self._proven)

    @property
    def proven_count(self) -> int:
        """How many files this run has proven in the bag."""
        return len(self._proven)

    @property
    def proven_bytes(self) -> int:
        """How many bytes this run has proven in the bag."""
        return sum(self._settled[path].size_bytes for path in list(self._proven))

    @property
    def unproven(self) -> list[str]:
        """Return the paths that stand whole on the drive and are not proven."""
        return [path for path in self._settled if path not in self._proven]

    @property
    def unproven_bytes(self) -> int:
        """How much there is to read back."""
        return sum(self._settled[path].size_bytes for path in self.unproven)

    @property
    def all_from_medium(self) -> bool:
        """Whether all that this run has proven was read from the medium."""
        return ReadBack.PERHAPS_MEMORY not in self._proven.values()

    def of(self, entry: Entry, line_start: int) -> ReadBack | None:
        """Return how the file of a journal's line was proven; None where it was not, or by another line."""
        settled = self._settled.get(entry.path)
        if settled is None or settled.line_start != line_start:
            return None
        return self._proven.get(entry.path)

    # Proving

    def prove(
        self,
        on_bytes: Callable[[int], None],
        go_on: Callable[[], bool],
        on_copy: Callable[[Copy], None] = unreported,
    ) -> list[Compared]:
        """Read back what is not proven yet; return copies that are not what was written. Raises OSError."""
        compared = read_back(self._listed.folder, self.waiting(), on_bytes, go_on, on_copy)
        return [each for each in compared if not self.record(each)]

    def waiting(self) -> list[Copy]:
        """Return the copies that are to be read back."""
        return [self._copy(path) for path in self.unproven]

    def _copy(self, path: str) -> Copy:
        settled = self._settled[path]
        return Copy(self._listed.at(path), settled.size_bytes, settled.xxh128)

    def record(self, compared: Compared) -> bool:
        """Record what reading a copy back gave; return whether it is what was written."""
        self.methods.add(compared.evidence.method)
        self.remedies |= {compared.evidence.remedy} - {""}
        if compared.outcome is Outcome.EQUAL:
            self._proven[self.in_bag(compared.copy)] = compared.evidence.read_back
        else:
            self.found_bad.add(self.in_bag(compared.copy))
        return compared.outcome is Outcome.EQUAL

    def doubt(self) -> None:
        """Withdraw every proof of this run: all that it wrote has to be read again."""
        self._proven.clear()

    def in_bag(self, copy: Copy) -> str:
        """Return a copy's path in the bag."""
        return copy.path.removeprefix(f"{self._listed.path}/")
