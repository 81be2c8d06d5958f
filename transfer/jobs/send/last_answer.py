"""The answer "nothing new", given again for as long as all that it rests on is as it was.

It rests on the configuration, on what is mounted, on the names, sizes and times of every source, and on the
drives: their marks, the tag manifests of the nights, whose digests pin all that these say, and the names
and sizes that lie there. Any difference, and any doubt, and `send` looks at everything again. On a drive
that stayed mounted and has the same free space the sizes are not asked for: to ask for each costs as much
as to walk through the sources, and a block that is lost of a file on a drive leaves space. This module loads
little: it is what makes a look that finds nothing to do cost little more than a walk through the sources.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

from manifests.bags.containment import read_small
from manifests.bags.paths import JOURNAL, PAYLOAD, TAG_MANIFEST
from manifests.findings import Finding
from transfer.config import Config
from transfer.engine.medium import flush_noted
from transfer.engine.medium.mounted import free_blocks, mounted_now
from transfer.engine.sources import SourceFile, walk
from transfer.errors import NotThere

_FORMAT = 2
_LINES_AT_ONCE = 4096
_FILE = "last-answer.json"
_MARK = "nightferry-drive.toml"
_MOST_BYTES = 1 << 20  # of a mark, or of the list of a bag's own lists


class Asked(NamedTuple):
    """What was asked of a run: the drives named for it, and the nights, as they were written."""

    drives: tuple[str, ...]
    nights: tuple[str, ...]


def asked(drives: Iterable[Path], nights: Iterable[date], since: date | None, everything: bool) -> Asked:
    """Put what was asked in words that can be kept and compared."""
    words = sorted(night.isoformat() for night in nights)
    words += [] if since is None else [f"since {since.isoformat()}"]
    words += ["all"] if everything else []
    return Asked(tuple(str(drive.absolute()) for drive in drives), tuple(words))


class Answer(NamedTuple):
    """What a run that found nothing new said: its line, what to do now, and its JSON document."""

    message: str
    next_step: str
    document: dict[str, Any]


class SourcesDigest:
    """The names, sizes and times of all files of all sources, in one number."""

    def __init__(self) -> None:
        self._digest = hashlib.blake2b(digest_size=16)
        self._lines: list[str] = []

    def add(self, item: SourceFile | Finding) -> None:
        """Add a file, or a finding, as the walk gives it."""
        if isinstance(item, SourceFile):
            self._lines.append(f"{item[1]}\0{item[2]}\0{item[3]}")
        else:
            self._lines.append(repr(item))
        if len(self._lines) == _LINES_AT_ONCE:
            self._digest_lines()

    def _digest_lines(self) -> None:
        self._digest.update("\n".join(self._lines).encode("utf-8", "surrogatepass"))
        self._lines.clear()

    def end_of(self, source: str) -> None:
        """Keep the files of one source apart from those of the next."""
        self._lines.append(f"\0{source}")

    def text(self) -> str:
        """Give the number, in hexadecimal; nothing may be added after."""
        self._digest_lines()
        return self._digest.hexdigest()


def answer_again(config: Config, asked: Asked, records: Path) -> Answer | None:
    """Give the last answer, if it still holds; None where everything has to be looked at."""
    try:
        kept = json.loads((records / _FILE).read_bytes())
        if kept["format"] != _FORMAT or kept["ground"] != _ground(config, asked):
            return None
        if not all(_as_it_was(drive) for drive in kept["drives"]):
            return None
        if kept["sources"] != _sources(config, [Path(drive["root"]) for drive in kept["drives"]]):
            return None
        for drive in kept["drives"]:
            flush_noted(drive["root"])  # the answer is that it may be pulled, and it was just read
        return Answer(kept["message"], kept["next_step"], kept["document"])
    except (OSError, ValueError, KeyError, TypeError, NotThere):
        return None


def keep_answer(
    config: Config,
    asked: Asked,
    records: Path,
    nights: dict[Path, list[str]],
    sources: str,
    answer: Answer,
) -> None:
    """Keep an answer with all that it rests on. `nights` are those on each drive's root. Never raises."""
    if config.site is None or config.site.longitude_deg is None:
        return  # the night then depends on this computer's time zone, which may change
    part = records / f"{_FILE}.{os.getpid()}.part"
    try:
        document = {
            "format": _FORMAT,
            "ground": _ground(config, asked),
            "drives": [_to_keep(root, names) for root, names in nights.items()],
            "sources": sources,
            **answer._asdict(),
        }
        part.write_text(json.dumps(document), encoding="ascii")
        part.replace(records / _FILE)
    except (OSError, ValueError):
        return


def _ground(config: Config, asked: Asked) -> list[Any]:
    mounted = mounted_now()
    if mounted is None:
        raise OSError("this system does not tell cheaply what is mounted")
    text = config.file.read_bytes().decode("utf-8", "backslashreplace")
    return [str(config.file), text, list(asked.drives), list(asked.nights), mounted]


def _to_keep(root: Path, nights: list[str]) -> dict[str, Any]:
    # The free space first: what is lost while the sizes are asked for then shows.
    free = free_blocks(str(root))
    return {**_drive(root, nights), "free": free, "sizes": _sizes(root, nights)}


def _as_it_was(kept: dict[str, Any]) -> bool:
    root, nights = Path(kept["root"]), list(kept["nights"])
    if _drive(root, nights) != {key: value for key, value in kept.items() if key not in ("free", "sizes")}:
        return False
    free = free_blocks(str(root))
    return bool((free is not None and kept["free"] == free) or kept["sizes"] == _sizes(root, nights))


def _drive(root: Path, nights: list[str]) -> dict[str, Any]:
    return {
        "root": str(root),
        "mark": _text(root / _MARK),
        "unfinished": [entry.name for entry in os.scandir(root) if _has_journal(entry)],
        "nights": {night: _night(root / night) for night in nights},
    }


def _has_journal(entry: os.DirEntry[str]) -> bool:
    return entry.is_dir() and os.path.exists(f"{entry.path}/{JOURNAL}")  # noqa: PTH110 - one call an entry


def _night(folder: Path) -> list[str]:
    return [_text(folder / TAG_MANIFEST), _all_below(folder / PAYLOAD, _name)]


def _text(path: Path) -> str:
    return read_small(path, _MOST_BYTES).decode("utf-8")


def _sizes(root: Path, nights: list[str]) -> list[str]:
    return [_all_below(root / night / PAYLOAD, _size) for night in nights]


def _name(entry: os.DirEntry[str]) -> str:
    return entry.name


def _size(entry: os.DirEntry[str]) -> str:
    return str(entry.stat(follow_symlinks=False).st_size)


def _all_below(folder: Path, fact: Callable[[os.DirEntry[str]], str]) -> str:
    """Give one fact of all that is below a folder in one number: what was taken away or cut short shows."""
    digest = hashlib.blake2b(digest_size=16)
    ahead = [str(folder)]
    while ahead:
        with os.scandir(ahead.pop()) as found:
            entries = list(found)
        # In the order in which the system lists them, which stays while a folder does.
        digest.update("\0".join(map(fact, entries)).encode("utf-8", "surrogatepass"))
        ahead += [entry.path for entry in entries if entry.is_dir(follow_symlinks=False)]
    return digest.hexdigest()


def _sources(config: Config, drives: list[Path]) -> str:
    digest = SourcesDigest()
    archive = [] if config.archive is None else [config.archive.folder]
    for source in config.sources:
        for item in walk(source, [*drives, *archive]):
            digest.add(item)
        digest.end_of(source.name)
    return digest.text()
