"""What may go and what stays, file by file, before anything is removed."""

from __future__ import annotations

import errno
import stat
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from manifests.frames.nights import night_of_ns
from transfer.archive.evidence import Evidence, Version
from transfer.config import ClearOptions, SourceKind
from transfer.engine.ledger import LetGo, Place
from transfer.engine.medium import PinnedFolder
from transfer.engine.reread import Stays
from transfer.engine.sources import SourceFile

# A log that nobody has touched for a day is not written to any more; its program may open it for each line.
_LOG_RESTS = timedelta(days=1)
_CHANGED = "it has changed since it was carried"


@dataclass(frozen=True, slots=True)
class MayGo:
    """A file that may go: what it was when it was carried, and the places that have it.

    `is_beginning` says that the source is shorter: the beginning of what the places have. `others` are the
    other contents of its size that enough places have: the file was carried with one of them.
    """

    file: SourceFile
    version: Version
    places: tuple[Place, ...]
    is_beginning: bool = False
    others: tuple[MayGo, ...] = ()

    @property
    def shown(self) -> str:
        """Its source and its path there."""
        return f"{self.file.source}/{self.file.path}"

    @property
    def in_ledger(self) -> LetGo:
        """What the ledger keeps of it."""
        file, longer = self.file, self.version.size_bytes if self.is_beginning else None
        source = Place("source", file.source, file.source)
        return LetGo(source, file.path, file.size_bytes, self.version.sha256, self.places, longer)


@dataclass(frozen=True, slots=True)
class ClearNight:
    """The files of one night in the sources."""

    night: date
    files: int
    size_bytes: int
    may_go: tuple[MayGo, ...]
    stays: tuple[Stays, ...]

    @property
    def may_go_bytes(self) -> int:
        """How much room it frees."""
        return sum(each.file.size_bytes for each in self.may_go)


@dataclass(frozen=True, slots=True)
class Deciding:
    """What decides: the evidence, what the configuration asks for, and where each source's folder is.

    `sha256_of` reads a file of a source: one whose time is another than it was carried with.
    """

    evidence: Evidence
    options: ClearOptions
    now: datetime
    longitude_deg: float
    kinds: Mapping[str, SourceKind]
    folders: Mapping[str, PinnedFolder]
    sha256_of: Callable[[SourceFile], str]

    def nights(self, files: Iterable[SourceFile]) -> tuple[ClearNight, ...]:
        """Decide on every file; the oldest night comes first."""
        by_night: dict[date, list[SourceFile]] = {}
        for file in files:
            by_night.setdefault(self._night(file), []).append(file)
        return tuple(self._decided(night, sorted(of_one)) for night, of_one in sorted(by_night.items()))

    def _night(self, file: SourceFile) -> date:
        known = self.evidence.nights.get((file.source, file.path))
        return known or night_of_ns(file.modified_ns, self.longitude_deg)

    def _decided(self, night: date, files: list[SourceFile]) -> ClearNight:
        decided = [self.decide(file) for file in files]
        return ClearNight(
            night=night,
            files=len(files),
            size_bytes=sum(file.size_bytes for file in files),
            may_go=tuple(each for each in decided if isinstance(each, MayGo)),
            stays=tuple(each for each in decided if isinstance(each, Stays)),
        )

    def decide(self, file: SourceFile) -> MayGo | Stays:
        """Decide on one file."""
        shown = f"{file.source}/{file.path}"
        versions = self.evidence.versions.get((file.source, file.path), set())
        is_log = self.kinds[file.source] is SourceKind.LOGS
        fitting = [
            version
            for version in versions
            if version.size_bytes == file.size_bytes
            or (is_log and version.size_bytes > file.size_bytes and version.sha256 in self.evidence.copies)
        ]
        if not versions:
            return Stays(shown, "safe only here, as far as is known: in no archive, on no drive that is here")
        if not fitting:
            return Stays(shown, _CHANGED)
        try:
            why = self._rests(file, is_log=is_log) or self._way(file)
            fitting = fitting if why else self._of_its_content(file, fitting)
        except OSError as error:
            return Stays(shown, f"it cannot be reached: {error.strerror or error}", in_doubt=True)
        if why or not fitting:
            return Stays(shown, why or _CHANGED)
        return self._by_places(file, fitting)

    def _by_places(self, file: SourceFile, fitting: Iterable[Version]) -> MayGo | Stays:
        """Decide on a file by the places that have what it may contain."""
        since = self.now - timedelta(seconds=self.options.proven_within_s)
        places_of = {version: self.evidence.places(version.sha256, since) for version in fitting}
        best, *others = sorted(fitting, key=lambda each: (len(places_of[each]), each), reverse=True)
        places = places_of[best]
        if len(places) < self.options.copies:
            why = self.evidence.too_few(best.sha256, places, self.options.copies, since)
            return Stays(f"{file.source}/{file.path}", why)
        enough = [
            MayGo(file, each, tuple(sorted(places_of[each])), each.size_bytes > file.size_bytes)
            for each in (best, *others)
            if len(places_of[each]) >= self.options.copies
        ]
        return replace(enough[0], others=tuple(enough[1:]))

    def _of_its_content(self, file: SourceFile, fitting: list[Version]) -> list[Version]:
        """Return what a file may contain; where its time says that it may have changed, it is read.

        Raises OSError.
        """
        times_ns = self.evidence.times_ns.get((file.source, file.path))
        may_be_longer = any(version.size_bytes > file.size_bytes for version in fitting)
        if not times_ns or file.modified_ns in times_ns or may_be_longer:
            return fitting
        sha256 = self.sha256_of(file)
        return [version for version in fitting if version.sha256 == sha256]

    def _rests(self, file: SourceFile, *, is_log: bool) -> str:
        """Return why a log may still grow, or nothing."""
        grows = is_log and file.modified_ns / 1e9 > (self.now - _LOG_RESTS).timestamp()
        return "a log of the last day: it may still grow" if grows else ""

    def _way(self, file: SourceFile) -> str:
        """Return why the file that a path leads to is not removed, or nothing. Raises OSError."""
        try:
            facts = self.folders[file.source].stat(file.path)
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise
            return "it lies on another volume than its source's folder"
        if facts is None:
            return "it lies behind a link, or has gone"
        return "" if stat.S_ISREG(facts.st_mode) else "it is a link; what it leads to is not touched"
