"""Thumbnails of frames: which are there, and those that are not, made in parallel and kept by digest."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from transfer.engine.workers import Answer, NoAnswer, Workers, module_command, processes_here
from transfer.events import BytesDone, Event, FileBegan, Phase, PhaseBegan, PhaseEnded
from transfer.page.picture import Picture
from transfer.page.writing import files_with_content, write_whole
from transfer.stop import Stop

FOLDER = "pictures"
PICTURE, HEADER = ".jpg", ".js"
_COMMAND = module_command("transfer.page.worker")
# So few are made by one process sooner than a second one has started.
_FEW = 6


class Wanted(NamedTuple):
    """A frame of which there is to be a thumbnail: the digest of its content, and where it lies."""

    digest: str
    bag: Path
    path: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class ThumbnailsMade:
    """How many frames now have been looked at: in this run and before. `ended` says why it ended early.

    `left` are those that could not be read now, each with the reason; the next run tries them again.
    """

    made: int
    kept: int
    ended: str = ""
    left: tuple[tuple[Wanted, str], ...] = ()


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
    wanted: Iterable[Wanted],
    folder: Path,
    stop: Stop,
    listen: Callable[[Event], None],
    processes: int | None = None,
    command: tuple[str, ...] = _COMMAND,
) -> ThumbnailsMade:
    """Make the thumbnails that are not there yet in a page's folder.

    What was made stays when the run ends early. Raises OSError where one cannot be kept.
    """
    kept = KeptThumbnails(folder)
    by_digest: dict[str, Wanted] = {}
    for one in wanted:
        by_digest.setdefault(one.digest, one)
    missing = [one for one in by_digest.values() if not kept.has(one.digest)]
    if not missing:
        return ThumbnailsMade(0, len(by_digest))
    listen(PhaseBegan(Phase.THUMBNAILS, "", sum(one.size_bytes for one in missing)))
    made, left = 0, list[tuple[Wanted, str]]()
    count = min(processes or processes_here(), -(-len(missing) // _FEW))
    with Workers(command, _asked, count) as workers:
        for answer in workers.answers(iter(missing), lambda: not stop.why):
            listen(FileBegan(Phase.THUMBNAILS, answer.task.path))
            why_left = _keep(answer, folder)
            if why_left:
                left.append((answer.task, why_left))
            else:
                made += 1
            listen(BytesDone(Phase.THUMBNAILS, "", answer.task.size_bytes))
    listen(PhaseEnded(Phase.THUMBNAILS, ""))
    return ThumbnailsMade(made, len(by_digest) - len(missing), stop.why, tuple(left))


def _asked(one: Wanted) -> dict[str, Any]:
    return {"bag": str(one.bag), "path": one.path}


def _keep(answer: Answer[Wanted], folder: Path) -> str:
    """Keep what a process made of a frame; return why there is nothing to keep, if so."""
    told, digest = answer.told, answer.task.digest
    if isinstance(told, NoAnswer):
        return f"making its picture {told.why}" if told.is_of_frame else told.why
    if "unreadable" in told:
        return str(told["unreadable"])
    picture = Picture.of_told(told)
    if picture.jpeg is not None:
        write_whole(folder / place_of(digest, PICTURE), picture.jpeg)
    write_whole(folder / place_of(digest, HEADER), picture.as_script(digest))
    return ""
