"""What has been claimed of a medium, and has to be found there after a power cut."""

from __future__ import annotations

import json
import os
import signal
from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum, auto
from pathlib import Path

from tests.faults.archive_judge import MARK as ARCHIVE_MARK
from tests.faults.archive_judge import (
    delivered,
    require_answered,
    require_archive_complete,
    require_archive_true,
    require_archive_whole,
    require_words_true,
    words_on,
)
from tests.faults.clear_jobs import LEDGER, LEFT, in_ledger, what_is_wrong
from tests.faults.judge import (
    MARK,
    RECEIPT,
    Known,
    Ran,
    bags_on,
    receipt_on,
    require,
    require_complete,
    require_truth,
    require_valid,
    require_whole,
    sha256_of,
)

UNREADABLE = "cannot be read:"
_KILLED = Ran(-signal.SIGKILL, "", "", killed=True)
_OWN = (MARK, ARCHIVE_MARK)
Files = dict[str, str]  # path on the medium to SHA-256


class Excuse(Enum):
    """What has to have been so, beyond that all held, for a loss to be the file system's own doing."""

    LAY_STILL = auto()  # the file lay there as it has to be, before and after
    CAME_WHOLE = auto()  # the content that the file was to have lay on the medium before, under any name
    ALL_HELD = auto()  # nothing more
    NONE = auto()


@dataclass(frozen=True)
class Wrong:
    """A file that is not what it has to be; `sha256` is that, empty where no list says it.

    `answers` is another file (path, SHA-256) that is as good: the ledger that has a line of it.
    """

    path: str
    sha256: str
    what: str
    excuse: Excuse = Excuse.LAY_STILL
    answers: tuple[str, str] | None = None


@dataclass(frozen=True)
class Found:
    """What lies on a medium, and what is wrong with it."""

    files: Files = field(default_factory=dict)
    wrong: tuple[Wrong, ...] = ()

    def __str__(self) -> str:
        return "; ".join(f"{each.path} {each.what}" for each in self.wrong[:4])


def files_on(medium: Path) -> Files:
    """Digest every file; one that cannot be read has the error in its digest's place."""
    found = {}
    for folder, _, names in os.walk(medium):
        for name in names:
            path = Path(folder, name)
            try:
                found[path.relative_to(medium).as_posix()] = sha256_of(path)
            except OSError as error:
                found[path.relative_to(medium).as_posix()] = f"{UNREADABLE} {error}"
    return found


@dataclass(frozen=True)
class Proven:
    """What was proven by runs that had ended before: path on the medium to SHA-256.

    `moving` are the contents, old and new, of those files that the run itself puts in another's place: one
    of the two is somewhere below the file's bag.
    """

    same: Files
    moving: dict[str, frozenset[str]]


def proven(before: Files, after: Files) -> Proven:
    """Return what was proven before a run: payload, marks, and all of a bag that the run leaves alone."""
    bags = [path.rpartition("/")[0] for path in before if path.endswith("/manifest-sha256.txt")]

    def around(path: str) -> str:
        return next((bag for bag in bags if path.startswith(f"{bag}/")), path.partition("/")[0])

    changed = (path for path in before.keys() | after.keys() if before.get(path) != after.get(path))
    touched = {around(path) for path in changed}
    ours = {path: sha256 for path, sha256 in before.items() if "/data/" in path or path in _OWN}
    alone = {path: sha256 for path, sha256 in before.items() if around(path) not in touched}
    all_of_it = {path: sha256 for path, sha256 in (ours | alone).items() if path != RECEIPT}
    same = {path: sha256 for path, sha256 in all_of_it.items() if after.get(path) == sha256}
    moving = {path: frozenset((all_of_it[path], after[path])) for path in all_of_it.keys() - same.keys()}
    return Proven(same, moving)


class Claims(ABC):
    """What was claimed of a medium before a run and by it; `ever` are the whole contents that there are."""

    def __init__(self, before: Proven, ever: set[str]) -> None:
        self.before = before
        self.ever = ever

    @abstractmethod
    def missing_at_the_end(self, files: Files) -> Iterator[Wrong]:
        """Return what the run itself said to be there, and is not."""

    def may_be(self, path: str, sha256: str | None) -> bool:
        """Return whether a listed file may be of this content, or gone where that is None, for all that."""
        return False

    def more_wrong(self, medium: Path, files: Files) -> Iterator[Wrong]:
        """Return what else is wrong with what lies there, at any moment of the run or after it."""
        return iter(())

    @abstractmethod
    def require_by_tools(self, medium: Path, *, final: bool) -> None:
        """Prove it with coreutils, xxhsum and the reference library; `final` where the run had claimed."""


class DriveClaims(Claims):
    """What `send`, or a check of the drive, claims of a drive; the receipts are from before and after it."""

    def __init__(
        self, before: Proven, known: Known, receipt_before: bytes | None, receipt_after: bytes | None
    ) -> None:
        super().__init__(before, known.ever)
        self._known = known
        self._receipt_before = receipt_before
        self._receipt_after = receipt_after

    def missing_at_the_end(self, files: Files) -> Iterator[Wrong]:
        there = {(path.partition("/")[2], sha256) for path, sha256 in files.items()}
        for path, sha256 in self._known.now.items():
            if (path, sha256) not in there:
                yield Wrong(path, sha256, "was proven by the run, and is not there")

    def require_by_tools(self, medium: Path, *, final: bool) -> None:
        if final:
            require_complete(medium, self._known.now)
            require(receipt_on(medium) == self._receipt_after, "the receipt is not the one of the last run")
        else:
            require_truth(_KILLED, medium, self._known.now, self._receipt_before)
        require_whole(medium, self._known)


class ArchiveClaims(Claims):
    """What `file` claims of an archive: by the acknowledgement that it writes onto the drive.

    The two sticks are copies of that drive from before the run and from its end.
    """

    def __init__(self, before: Proven, ever: set[str], stick_before: Path, stick_after: Path) -> None:
        super().__init__(before, ever)
        self._before = stick_before
        self._after = stick_after

    def missing_at_the_end(self, files: Files) -> Iterator[Wrong]:
        there = set(files.values())
        for word in words_on(self._after).values():
            for file in json.loads(word)["files"]:
                if file["sha256"] not in there:
                    yield Wrong(file["to"], file["sha256"], "was filed by the run, and is not there")

    def require_by_tools(self, medium: Path, *, final: bool) -> None:
        true = require_archive_true(medium)
        if final:
            require_archive_complete(medium, delivered(self._after))
            require_answered(self._after, medium, true)
        elif true:
            require_words_true(self._before, medium, true, words_on(self._before))
        require_archive_whole(medium, self.ever)


class MarkClaims(Claims):
    """What `mark` claims of an archive: what was said before is there, at its end also what was said by it.

    `path` is the file of what is said, `said` its SHA-256 before the run (empty: none) and after it.
    """

    def __init__(self, before: Proven, ever: set[str], path: str, said: tuple[str, str]) -> None:
        super().__init__(before, ever)
        self._path = path
        self._said = said

    def missing_at_the_end(self, files: Files) -> Iterator[Wrong]:
        if files.get(self._path) != self._said[1]:
            yield Wrong(self._path, self._said[1], "was said by the run, and is not there")

    def more_wrong(self, medium: Path, files: Files) -> Iterator[Wrong]:
        if files.get(self._path, "") not in self._said:
            yield Wrong(self._path, self._said[0], "is neither what was said before the run nor after it")

    def require_by_tools(self, medium: Path, *, final: bool) -> None:
        require_archive_whole(medium, self.ever)
        require_archive_true(medium)


class FileTwoClaims(Claims):
    """What `file` into two archives claims of the one on the recorded disk: at its end all is there.

    `stick` is the drive that was filed, as it is at the end.
    """

    def __init__(self, before: Proven, ever: set[str], stick: Path) -> None:
        super().__init__(before, ever)
        self._stick = stick

    def missing_at_the_end(self, files: Files) -> Iterator[Wrong]:
        there = set(files.values())
        for path, sha256 in delivered(self._stick).files.items():
            if sha256 not in there:
                yield Wrong(path, sha256, "was filed by the run, and is not there")

    def require_by_tools(self, medium: Path, *, final: bool) -> None:
        require_archive_true(medium)
        if final:
            require_archive_complete(medium, delivered(self._stick))
        require_archive_whole(medium, self.ever)


class HealClaims(FileTwoClaims):
    """What `heal` claims of an archive: what is left of a damaged file is kept, at the end all is whole.

    `harm` is the damaged file's content before, by its path, and `gone` the file that was not there.
    """

    def __init__(self, before: Proven, ever: set[str], stick: Path, harm: tuple[str, str], gone: str) -> None:
        super().__init__(before, ever | {harm[1]}, stick)
        self._harm = harm
        self._gone = gone

    def may_be(self, path: str, sha256: str | None) -> bool:
        return (path, sha256) == self._harm or (path in (self._gone, self._harm[0]) and sha256 is None)

    def more_wrong(self, medium: Path, files: Files) -> Iterator[Wrong]:
        path, sha256 = self._harm
        aside = f"{path.partition('/')[0]}/nightferry/set-aside/1 {path.rpartition('/')[2]}"
        if sha256 not in files.values():
            what = "was damaged, and what was left of it is nowhere"
            yield Wrong(path, sha256, what, answers=(aside, sha256))

    def require_by_tools(self, medium: Path, *, final: bool) -> None:
        if final:
            super().require_by_tools(medium, final=True)


class ClearClaims(Claims):
    """What `clear --delete` claims of the disk that sources and records are on: what went is in the ledger.

    The places that have what went lie elsewhere, and were not written to. `goes` are the files that may go,
    path on the medium to SHA-256; `ledger` is the SHA-256 of the ledger at the end.
    """

    def __init__(self, before: Proven, ever: set[str], goes: Files, ledger: str) -> None:
        super().__init__(before, ever)
        self._goes = goes
        self._ledger = ledger

    def missing_at_the_end(self, files: Files) -> Iterator[Wrong]:
        return iter(())

    def more_wrong(self, medium: Path, files: Files) -> Iterator[Wrong]:
        try:
            written = in_ledger(medium / "records")
        except OSError as error:
            yield Wrong("records/cleared.jsonl", "", f"{UNREADABLE} {error.strerror}", Excuse.ALL_HELD)
            return
        for path, sha256 in self._goes.items():
            in_source = path.removeprefix("computer/")
            if files.get(path) != sha256 and written.get(in_source) != sha256:
                what = "is not what it was, or has gone, without a line in the ledger"
                yield Wrong(path, sha256, what, answers=(f"records/{LEDGER}", self._ledger))

    def require_by_tools(self, medium: Path, *, final: bool) -> None:
        """Nothing: sources and a ledger are no bags."""


class ClearDriveClaims(Claims):
    """What `clear --drive` claims of a drive: a night is whole, being let go, or gone; others stay.

    `goes` is the night that may go, path on the medium to SHA-256.
    """

    def __init__(self, before: Proven, ever: set[str], goes: Files) -> None:
        super().__init__(before, ever)
        self._goes = goes

    def missing_at_the_end(self, files: Files) -> Iterator[Wrong]:
        for path in files:
            if path in self._goes or path.startswith(f"{LEFT}/"):
                yield Wrong(path, "", "was let go by the run, and is there", Excuse.ALL_HELD)

    def more_wrong(self, medium: Path, files: Files) -> Iterator[Wrong]:
        for path, what in what_is_wrong(self._goes, self.before.same, files):
            still = path in self._goes and files.get(path) != self._goes[path]
            excuse = Excuse.LAY_STILL if still else Excuse.ALL_HELD
            yield Wrong(path, self._goes.get(path, ""), what, excuse)

    def require_by_tools(self, medium: Path, *, final: bool) -> None:
        for bag in bags_on(medium):
            if bag.name != LEFT:
                require_valid(bag)
