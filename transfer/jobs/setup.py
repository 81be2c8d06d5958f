"""The file that `setup` writes: a commented nightferry.toml, with what was found on this computer."""

from __future__ import annotations

import json
import os
import re
import time
from collections import deque
from collections.abc import Callable, Container, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from manifests.bags.companions import is_companion_folder
from manifests.bags.stored_names import NameBook, same_name_key
from manifests.frames.endings import FITS_ENDINGS
from transfer.words import counted

_LOOK_AT_MOST_S = 5.0
_LOOK_AT_MOST_DEEP = 7
# A text file whose name has a date or the word "log" is a program's log, not a person's letter.
_LOG_NAME = re.compile(r"(?:.*[^a-z])?logs?(?![a-z]).*|.*20[0-9]{2}[-_.]?[01][0-9][-_.]?[0-3][0-9].*")
# Folders that hold others' programs, whose logs are no observer's.
_NOT_LOOKED_INTO = frozenset(("appdata", "library", "node_modules", "site-packages", "snap", "venv"))
# Folders that a system makes for every user: what lies in one is the observer's, not the whole folder. A
# folder directly below the user's own that holds one of the first three, as a mirrored one does, is another.
_TELLING = frozenset(("documents", "pictures", "desktop"))
_FOR_EVERYONE = _TELLING | {"downloads", "videos"}


@dataclass(frozen=True, slots=True)
class FoundFolder:
    """A folder below the user's own, and how many frames and logs lie at or below it."""

    folder: Path
    frames: int = 0
    logs: int = 0


@dataclass(frozen=True, slots=True)
class FoundHere:
    """What was found on this computer.

    `utc_offset_h` is the standard offset of its time zone, in hours east; `drives` the names of the
    prepared drives that are connected; `whole` says whether the search was finished.
    """

    home: Path
    folders: tuple[FoundFolder, ...] = ()
    utc_offset_h: float = 0.0
    drives: tuple[str, ...] = ()
    whole: bool = True


def look_around(
    home: Path,
    drives: Iterable[str] = (),
    *,
    at_most_s: float = _LOOK_AT_MOST_S,
    clock: Callable[[], float] = time.monotonic,
) -> FoundHere:
    """Look for frames and logs below the user's folder, the shallow folders first, for a few seconds.

    Hidden folders and those of programs are passed over; links are not followed; what cannot be read
    is left out.
    """
    end = clock() + at_most_s
    found: dict[Path, FoundFolder] = {}
    holders: set[Path] = set()
    ahead = deque([(home, 0)])
    while ahead and clock() < end:
        folder, depth = ahead.popleft()
        inner, frames, logs = _contents(folder)
        if depth == 1 and any(each.name.lower() in _TELLING for each in inner):
            holders.add(folder)
        if depth < _LOOK_AT_MOST_DEEP:
            ahead.extend((each, depth + 1) for each in inner)
        if depth and (frames or logs):
            _add(found, _source_of(folder, home, holders), frames, logs)
    ordered = sorted(found.values(), key=lambda each: (-each.frames, -each.logs, each.folder))
    offset_h = -time.timezone / 3600
    return FoundHere(home, tuple(ordered), offset_h, tuple(drives), whole=not ahead)


def _contents(folder: Path) -> tuple[list[Path], int, int]:
    """List one folder: the folders to look into, and the numbers of frames and of logs."""
    inner: list[Path] = []
    frames = logs = 0
    in_logs = folder.name.lower() in ("log", "logs")
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    inner += [Path(entry.path)] if _is_worth_a_look(entry.name) else []
                elif entry.name.lower().endswith(FITS_ENDINGS):
                    frames += 1
                elif in_logs or _is_a_log(entry.name.lower()):
                    logs += 1
    except OSError:
        return [], 0, 0
    return inner, frames, logs


def _is_a_log(name: str) -> bool:
    return name.endswith(".log") or (name.endswith(".txt") and _LOG_NAME.fullmatch(name) is not None)


def _is_worth_a_look(name: str) -> bool:
    passed_over = name.startswith(".") or name.lower() in _NOT_LOOKED_INTO or is_companion_folder(name)
    return not passed_over and name.isprintable() and (os.name == "nt" or "\\" not in name)


def _source_of(folder: Path, home: Path, holders: Container[Path]) -> Path:
    """Return the folder to carry from: the first of the observer's own, so that the next night is in it."""
    parts = folder.relative_to(home).parts
    at = 1 if home / parts[0] in holders and len(parts) > 1 else 0
    own = at + 2 if parts[at].lower() in _FOR_EVERYONE else at + 1
    return home.joinpath(*parts[:own])


def _add(found: dict[Path, FoundFolder], folder: Path, frames: int, logs: int) -> None:
    before = found.get(folder, FoundFolder(folder))
    found[folder] = FoundFolder(folder, before.frames + frames, before.logs + logs)


def found_lines(found: FoundHere) -> Iterator[str]:
    """Return what was found, a line each, for a person."""
    frames = sum(each.frames for each in found.folders)
    logs = sum(each.logs for each in found.folders)
    yield f"Found below {found.home}: {counted(frames, 'frame')} and {counted(logs, 'log')}."
    for each in found.folders:
        here = [
            counted(number, noun) for number, noun in ((each.frames, "frame"), (each.logs, "log")) if number
        ]
        left = "" if each.frames else "; no frames are near, so the section is only a comment"
        yield f"  {each.folder}: {' and '.join(here)}{left}"
    if not found.whole:
        yield "The search took long and was ended early: there may be more."
    if found.drives:
        yield f"Prepared drives that are connected: {', '.join(found.drives)}"
    else:
        yield "No prepared drive is connected: nightferry prepare DRIVE --name NAME makes one."


def setup_text(found: FoundHere) -> str:
    """Return a nightferry.toml, to be stored as UTF-8: it can be used as it is, and explains every key."""
    here = (_HEAD, _site(found), _sources(found), _LOGS, _drives(found))
    sections = (*here, _ARCHIVE, _SEND, _FOLLOW, _CLEAR, _RECORDS, _NAMES, _CALIBRATION)
    return "\n".join(section.strip("\n") + "\n" for section in sections)


_HEAD = """
# nightferry.toml: what to carry at the end of the night, and where to.
# `nightferry plan` says what is wrong with it before the night does.
#
# Folders are relative to this file. ~ is your own folder; $NAME, ${NAME} and %NAME% are environment
# variables ($$ and %% for the signs themselves). Write paths in 'single quotes' or with forward
# slashes: in "double quotes" a backslash begins an escape.
"""

_ARCHIVE = """
# Where `nightferry file` brings the nights, on the computer that processes them. Each of several begins with
# double brackets, [[archive]], and has a name: every one gets the nights, the first is the one that is asked.
# [archive]
# folder = '~/archive'
"""

_SEND = """
[send]
# `send` ends in order after this time, with everything it lists as proven proven: "90s", "30m", "1h 30m".
# time_limit = "30m"
# catch_up_nights = 30   # earlier nights whose files are safe nowhere are carried after tonight; 0 for none
# make_room = false      # true: where tonight does not fit, nights go from the drive as with clear --drive
"""

_FOLLOW = """
[follow]
# `send --follow` carries each file while the night runs. A frame is whole when its size and time have stayed
# for so long and no program has it open; a log rests thirty times as long.
# rest = "20s"
# A program of your own that is told a line: a drive is gone or full, no frame came for long, finished.
# tell = ["C:/tools/beep.exe", "{line}"]
"""

_CLEAR = """
[clear]
# A source's file may be deleted when so many places have it (archives that acknowledged it, and drives while
# they are here), and read it back no longer ago than that. `nightferry clear` lists it; --delete deletes.
# copies = 2
# proven_within = "400d"
# keep_nights = 3        # of `clear --drive`: the newest nights on a drive stay
"""

_RECORDS = """
# Where receipts, and what was learned about the sources, are kept on this computer.
# [records]
# folder = '~/nightferry records'
"""

_NAMES = """
# What `nightferry file` and `gather` call a target, a filter, a telescope or a camera that headers write in
# ways of their own. Catalogue names and the usual filters are known in every spelling.
# [targets]
# "Owl cluster" = ["NGC 457", "the owl"]
# [filters]
# "Ha" = ["narrow red"]
# [telescopes]
# "Long Tom" = ["EQ mount driver"]
# [cameras]
# "Lantern" = ["CCD 0"]
# Keywords of your programs, for facts that no header of yours gives under the usual ones.
# [keywords]
# filter_name = ["WHEELPOS"]
"""

_CALIBRATION = """
# How far a calibration frame may be from what it calibrates, for `nightferry gather`. What stands here is
# common practice, no standard. Of the two limits of an exposure the larger one counts.
# [calibration]
# exposure_relative = 0.01   # of a dark: a hundredth of its light's exposure
# exposure_s = 0.05
# dark_flat_exposure_relative = 0.1
# dark_flat_exposure_s = 0.5
# sensor_deg_c = 1.0
# rotation_deg = 2.0   # of a flat; half a turn makes no difference
# focal_length_relative = 0.02
# library_nights = 30   # darks and bias of so many nights around the nearest ones are taken together
# flat_nights = 400     # flats more nights away than this are missing
# least_count = 5       # a nearer set of fewer frames gives way to a set of at least so many nearby
"""

_SOURCE_HEAD = """
# One [[source]] for each folder to carry from. Its name is also the folder's name on the drive.
#   take   patterns of the files to carry, below the folder: ** is any folders, * any part of a name,
#          upper and lower case are the same. Without it, every file is taken.
#   leave  patterns of files to leave behind: ["previews/", "**/*.tmp"]
#   kind   "frames" (the default) or "logs"
"""

_LOGS = """
# What the logs of a source say, by your own description, directly below its [[source]]; several for
# several kinds of file. `nightferry plan --logs` tries them on tonight's files.
# [[source.logs]]
# files = "**/mast *.log"   # below the source's folder
# form = "lines"   # by a regular expression; or "table" (delimited text), or "json"
# line = '^(?P<when>\\S+ \\S+) (?P<text>.*?)( air (?P<air>\\S+))?$'   # of form "lines" only
# time = "when"   # group of the line, column (name or number), path in JSON (a.b[0].c), or "file name"
# time_format = "%Y-%m-%d %H:%M:%S"   # without it, ISO 8601
# zone = "UTC"   # or a name such as "Europe/London"; without it, this computer's
# readings = { "air temperature" = { at = "air", unit = "deg_C" } }
# events = { "connection lost" = 'lost the connection|not responding' }
# Which events count as failures of the night; without any, only gaps in the dark without a frame ("gap").
# [[failure]]
# event = "connection lost"
"""

_SOURCE_EXAMPLE = """
# [[source]]
# name = "frames"
# folder = '~/frames'
# take = ["**/*.fits"]
# leave = []
# kind = "frames"
"""


def _site(found: FoundHere) -> str:
    longitude = (found.utc_offset_h * 15 + 180) % 360 - 180
    guess = f"{longitude:.1f}   # A GUESS, from this computer's time zone: write your own"
    # A computer whose clock is set to UTC says nothing about where it stands.
    line = f"longitude = {guess}" if found.utc_offset_h else "# longitude = -1.9"
    return f"""
# Where the telescope stands. The longitude tells which night a frame belongs to.
[site]
# name = "my site"
# latitude = 51.2   # degrees, north positive
# The longitude is in degrees, east positive: west of Greenwich it is negative.
{line}
"""


def _sources(found: FoundHere) -> str:
    written = list(_source_sections(found))
    where = str(found.home) if str(found.home).isprintable() else "your own folder"
    told = [f"# Found below {where}:" if written else f"# No frames were found below {where}; an example:"]
    if not found.whole:
        told.insert(0, "# The search took long and was ended early: there may be more.")
    return "\n".join((_SOURCE_HEAD, *told, *(written or [_SOURCE_EXAMPLE.strip()])))


def _source_sections(found: FoundHere) -> Iterator[str]:
    """Return a section for each folder with frames, and hints at folders with logs alone.

    Each takes everything: a pattern that matches less than the program beside it writes leaves frames behind.
    """
    names = NameBook()
    for each in found.folders:
        name = names.claim(each.folder.name)
        if each.frames:
            yield _source(name, each, found.home, "frames")
        else:
            yield _commented(_source(name, each, found.home, "logs"))


def _source(name: str, found: FoundFolder, home: Path, kind: str) -> str:
    folder = _quoted(_written(found.folder, home))
    parts = [counted(found.frames, "frame")] if found.frames else []
    parts += [counted(found.logs, "log")] if found.logs else []
    return (
        f"[[source]]   # {' and '.join(parts)}; everything in it is taken\nname = {_quoted(name)}\n"
        f'folder = {folder}\nkind = "{kind}"\n'
    )


def _drives(found: FoundHere) -> str:
    different: dict[str, str] = {}  # the configuration takes no name twice, whatever its case
    for name in filter(str.isprintable, found.drives):
        different.setdefault(same_name_key(name), name)
    named = [f"[[drive]]\nname = {_quoted(name)}\n" for name in different.values()]
    return """
# The drives to send to, by the names they were given by `nightferry prepare DRIVE --name NAME`.
# Without any, every prepared drive that is connected is sent to. With some, only these are, and `file`,
# `check` and `clear` look at no other by themselves: on the computer that has the archive, take them out.
# A drive that is no mounted volume (a folder, a share) has a folder as well: folder = '/mnt/share/nights'
""" + "\n".join(named or ['# [[drive]]\n# name = "stick"\n'])


def _written(folder: Path, home: Path) -> str:
    """Write a folder as the configuration reads it, with the signs of variables doubled."""
    below = folder.relative_to(home).as_posix()
    return "~/" + below.replace("$", "$$").replace("%", "%%")


def _quoted(text: str) -> str:
    # Printable text in JSON's quotes is in TOML's as well.
    return json.dumps(text, ensure_ascii=False) if "'" in text else f"'{text}'"


def _commented(section: str) -> str:
    return "\n".join(f"# {line}" for line in section.strip().split("\n")) + "\n"
