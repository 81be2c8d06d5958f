"""Thumbnails of frames: which are there, and those that are not, made in parallel and kept by digest."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, wait
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import NamedTuple, Self

from transfer.errors import NightferryError
from transfer.events import BytesDone, Event, FileBegan, Phase, PhaseBegan, PhaseEnded
from transfer.page.picture import Picture, picture_of
from transfer.page.writing import files_with_content, write_whole
from transfer.stop import Stop

FOLDER = "pictures"
PICTURE, HEADER = ".jpg", ".js"
# So many frames are handed out ahead of each process: none waits, and memory stays flat.
_AHEAD = 3
_LOOK_S = 0.5
# So few are made sooner than another process has started.
_FEW = 12


class Wanted(NamedTuple):
    """A frame of which there is to be a thumbnail: the digest of its content, and where it lies."""

    digest: str
    bag: Path
    path: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class ThumbnailsMade:
    """How many frames now have been looked at: in this run and before. `ended` says why it ended early."""

    made: int
    kept: int
    ended: str = ""


def place_of(digest: str, ending: str) -> str:
    """Return where a frame's picture or header lies below the page's folder."""
    return f"{FOLDER}/{digest[:2]}/{digest}{ending}"


class KeptThumbnails:
    """The thumbnails that a page's folder has: those of which the header, which is written last, is there."""

    def __init__(self, folder: Path) -> None:
        self._names: dict[str, set[str]] = {}
        self._folder = folder

    def has(self, digest: str) -> bool:
        """Return whether a frame was looked at already, whether or not it has a picture."""
        return self._has(digest, HEADER)

    def has_picture(self, digest: str) -> bool:
        """Return whether a frame has a picture."""
        return self._has(digest, PICTURE)

    def _has(self, digest: str, ending: str) -> bool:
        beginning = digest[:2]
        if beginning not in self._names:
            self._names[beginning] = set(files_with_content(self._folder / FOLDER / beginning))
        return f"{digest}{ending}" in self._names[beginning]


def make_thumbnails(
    wanted: Iterable[Wanted], folder: Path, stop: Stop, listen: Callable[[Event], None], processes: int
) -> ThumbnailsMade:
    """Make the thumbnails that are not there yet in a page's folder.

    What was made stays when the run ends early. A frame that cannot be read now is left for the next run.
    Raises NightferryError where the processes that make them die, and OSError where one cannot be kept.
    """
    kept = KeptThumbnails(folder)
    by_digest: dict[str, Wanted] = {}
    for one in wanted:
        by_digest.setdefault(one.digest, one)
    each = list(by_digest.values())
    missing = [one for one in each if not kept.has(one.digest)]
    if not missing:
        return ThumbnailsMade(0, len(each))
    listen(PhaseBegan(Phase.THUMBNAILS, "", sum(one.size_bytes for one in missing)))
    made = 0
    for one, was_made in _made(missing, folder, stop, listen, processes):
        made += was_made
        listen(BytesDone(Phase.THUMBNAILS, "", one.size_bytes))
    listen(PhaseEnded(Phase.THUMBNAILS, ""))
    return ThumbnailsMade(made, len(each) - len(missing), stop.why)


def _made(
    missing: list[Wanted], folder: Path, stop: Stop, listen: Callable[[Event], None], processes: int
) -> Iterator[tuple[Wanted, bool]]:
    """Yield each frame when it is done, and whether it was made."""
    if len(missing) > _FEW:
        with _Makers(folder, processes) as makers:
            yield from makers.make(missing, stop, listen)
        return
    for one in missing:
        if stop.why:
            return
        listen(FileBegan(Phase.THUMBNAILS, one.path))
        yield one, _keep_one(one, folder)


class _Makers:
    """Processes that make thumbnails; a thread would wait for Python's lock while another reads a header."""

    def __init__(self, folder: Path, processes: int) -> None:
        from concurrent.futures import ProcessPoolExecutor  # slow to load
        from multiprocessing import get_context

        self._folder = folder
        self._most = processes * _AHEAD
        # Started anew on every system, as Windows does: a fork would take the index's connection along.
        self._pool = ProcessPoolExecutor(processes, get_context("spawn"), _ignore_interrupts)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(wait=True, cancel_futures=True)

    def make(
        self, missing: list[Wanted], stop: Stop, listen: Callable[[Event], None]
    ) -> Iterator[tuple[Wanted, bool]]:
        """Yield each frame when it is done, and whether it was made."""
        rest, under_way = iter(missing), dict[Future[bool], Wanted]()
        try:
            while not stop.why:
                for one in islice(rest, self._most - len(under_way)):
                    under_way[self._pool.submit(_keep_one, one, self._folder)] = one
                if not under_way:
                    return
                done, _ = wait(under_way, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
                for future in done:
                    one = under_way.pop(future)
                    listen(FileBegan(Phase.THUMBNAILS, one.path))
                    yield one, future.result()
        except BrokenExecutor as error:
            happened = "A process that makes thumbnails died; memory may be short"
            raise NightferryError(happened, self._folder, "Run nightferry page again: it goes on.") from error


def _ignore_interrupts() -> None:
    """Leave Ctrl-C, which a terminal sends to all, to the process that hands out the work."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _keep_one(one: Wanted, folder: Path) -> bool:
    """Make and keep one thumbnail; return whether its frame could be read."""
    try:
        picture = picture_of(one.bag, one.path)
    except OSError:
        return False
    _keep(picture, one.digest, folder)
    return True


def _keep(picture: Picture, digest: str, folder: Path) -> None:
    if picture.jpeg is not None:
        write_whole(folder / place_of(digest, PICTURE), picture.jpeg)
    write_whole(folder / place_of(digest, HEADER), picture.as_script(digest))


def processes_here() -> int:
    """Return how many processes this one may keep at work."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
