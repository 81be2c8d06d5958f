"""Which files of the sources are whole while the night runs: at rest, of their right length, open nowhere."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from manifests.frames.endings import looks_like_a_frame, looks_like_an_image
from manifests.frames.inspection import has_its_length
from transfer.config import Config, SourceKind
from transfer.engine.bag.listed import Origin
from transfer.engine.medium import Medium
from transfer.engine.sources import SourceFile, walk
from transfer.errors import NotThere

# A log rests between two lines, and a file of which the system cannot tell whether it is open may rest while
# its program thinks: both have to rest longer, so many times as long as a frame.
_LOG_RESTS, _UNKNOWN_RESTS = 30, 6
_MOST_RESTS = 64


@dataclass(slots=True)
class _Seen:
    """A file as it was seen: its size and time, since when, and how many rests it has to wait."""

    file: SourceFile
    since_s: float
    rests: int
    is_whole: bool = False
    is_done: bool = False


class WholeFiles:
    """Watches the files of all sources over many looks. `rest_s` is how long a frame has to be at rest.

    Rest is counted by a clock that nobody sets, so that neither summer time nor a clock put right counts for
    it.
    """

    def __init__(
        self, config: Config, medium: Medium, rest_s: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._config, self._medium = config, medium
        self._rest_s, self._clock = rest_s, clock
        self._seen: dict[Origin, _Seen] = {}

    def look(self, keep_out: Collection[Path]) -> list[SourceFile]:
        """Look at all sources; return the files that have rested and are not done, the oldest first.

        None of them is opened: most of the first look are of earlier nights.
        """
        before, self._seen = self._seen, {}
        now = self._clock()
        for file, is_log in self._files(keep_out):
            origin = (file.source, file.path)
            seen = before.get(origin)
            if seen is None or seen.file != file:
                seen = _Seen(file, now, _LOG_RESTS if is_log else 1)
            self._seen[origin] = seen
        rested = [seen.file for seen in self._seen.values() if self._is_due(seen, now)]
        return sorted(rested, key=lambda file: (file.modified_ns, file.source, file.path))

    def only_whole(self, files: Iterable[SourceFile]) -> list[SourceFile]:
        """Return those of files that have rested which are whole: each is looked into until it is."""
        found = ((file, self._seen.get((file.source, file.path))) for file in files)
        return [
            file for file, seen in found if seen is not None and seen.file == file and self._is_whole(seen)
        ]

    def _files(self, keep_out: Collection[Path]) -> Iterator[tuple[SourceFile, bool]]:
        """Yield every file, and whether it is a log; a source that is not there has none."""
        for source in self._config.sources:
            try:
                for file in walk(source, keep_out):
                    if isinstance(file, SourceFile):
                        is_log = source.kind is SourceKind.LOGS or not looks_like_an_image(file.path)
                        yield file, is_log
            except NotThere:
                continue

    def _is_due(self, seen: _Seen, now: float) -> bool:
        return not seen.is_done and now - seen.since_s >= seen.rests * self._rest_s

    def _has_rested_enough(self, seen: _Seen) -> bool:
        return self._clock() - seen.since_s >= seen.rests * self._rest_s

    def _is_whole(self, seen: _Seen) -> bool:
        """Return whether a file at rest is whole; one that is not rests longer before it is asked again."""
        if seen.is_whole or not self._has_rested_enough(seen):
            return seen.is_whole
        wanted = self._rests_wanted(seen.file)
        if wanted is None:
            seen.rests = min(2 * seen.rests, _MOST_RESTS)
            seen.since_s = self._clock()
            return False
        seen.rests = max(seen.rests, wanted)
        seen.is_whole = self._has_rested_enough(seen)
        return seen.is_whole

    def _rests_wanted(self, file: SourceFile) -> int | None:
        """Return how many rests make a file whole; None where it is not, however long it rests."""
        folder = next(source.folder for source in self._config.sources if source.name == file.source)
        try:
            with os.fdopen(self._medium.open_source(f"{folder}/{file.path}"), "rb") as opened:
                facts = os.fstat(opened.fileno())
                if (facts.st_size, facts.st_mtime_ns) != (file.size_bytes, file.modified_ns):
                    return None
                is_open = self._medium.is_being_written(opened.fileno())
                if is_open or (looks_like_a_frame(file.path) and not has_its_length(opened)):
                    return None
        except OSError:
            return None  # locked, or gone again
        return _UNKNOWN_RESTS if is_open is None else 1

    def next_s(self) -> float | None:
        """Return when the next file may be whole, by the clock of `rest_s`; None where none is waited for."""
        return min(
            (
                each.since_s + each.rests * self._rest_s
                for each in self._seen.values()
                if not (each.is_whole or each.is_done)
            ),
            default=None,
        )

    def has_rested(self, file: SourceFile) -> bool:
        """Return whether a file has rested as it is now."""
        seen = self._seen.get((file.source, file.path))
        if seen is None or seen.file != file:
            return False
        return seen.is_whole or seen.is_done or self._is_due(seen, self._clock())

    def mark_done(self, file: SourceFile) -> None:
        """Leave a file alone until it changes: it was carried, or is left to the closing run."""
        seen = self._seen.get((file.source, file.path))
        if seen is not None and seen.file == file:
            seen.is_done = True

    def begin_anew(self) -> None:
        """Take no file for done any more: a drive has come that lacks them."""
        for seen in self._seen.values():
            seen.is_done = False
