"""A mounted stick of somebody else's with a strange file under the name of a mark: no command stops at it."""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from pathlib import Path

from tests.faults.archive_jobs import Desk
from tests.faults.judge import MARK, Ran, require, require_ended
from tests.faults.scene import Scene, prepare, room
from tests.faults.trials import Fault, Trial, telling
from tests.support.volumes import volume

_ID = b'id = "6f1d1a0e-2b4c-4d6e-8f10-1234567890ac"\nprepared = 2026-03-01T12:00:00Z\n'
# What send and file do: each with its exit code where all is well.
_LOOKS = (("plan", "--json"), ("send", "--json"))


def _writes(content: bytes) -> Callable[[Path, random.Random], None]:
    return lambda path, _: path.write_bytes(content)  # type: ignore[return-value]


def _sparse(path: Path, _: random.Random) -> None:
    with path.open("wb") as file:
        file.truncate(1 << 34)


MARKS: dict[str, Callable[[Path, random.Random], object]] = {
    "nested lists": _writes(b"a = " + b"[" * 1000 + b"]" * 1000),
    "nested tables": _writes(b"a = " + b"{a = " * 1000 + b"1" + b"}" * 1000),
    "nested without end": _writes(b"a = " + b"[" * 60_000),
    "a number of 400 digits": _writes(_ID + b'name = "x"\nwrite_bytes_per_s = ' + b"9" * 400),
    "a number of 5,000 digits": _writes(_ID + b'name = "x"\nread_bytes_per_s = ' + b"9" * 5000),
    "an endless name": _writes(_ID + b'name = "' + b"x" * 60_000 + b'"'),
    "no text": _writes(b"\xff\xfe" * 1000),
    "nothing": _writes(b""),
    "a moment at the calendar's edge": _writes(
        b'id = "6f1d1a0e-2b4c-4d6e-8f10-1234567890ac"\nname = "x"\nprepared = 9999-12-31T23:59:59-23:00\n'
    ),
    "16 GB of nothing": _sparse,
    "a FIFO": lambda path, _: os.mkfifo(path),
    "a folder": lambda path, _: path.mkdir(),
    "endless": lambda path, _: path.symlink_to("/dev/zero"),
    "a link to itself": lambda path, _: path.symlink_to(path),
    "noise": lambda path, dice: path.write_bytes(dice.randbytes(5000)),
}


def try_stick(trial: Trial) -> None:
    """Mount a volume with such a file, and carry and file a night with it there."""
    names = sorted(MARKS)
    name = names[(trial.number + trial.seed) % len(names)]
    with room() as root, volume(trial.on, size_mb=40) as stick, telling(name):
        MARKS[name](stick.path / MARK, trial.dice)
        scene = Scene(root, root / "drive", trial.dice, trial.without)
        scene.drive.mkdir()
        prepare(scene.drive)
        computer = scene.computer
        computer.drives = [f'name = "Field stick"\nfolder = "{scene.drive}"', 'name = "Another stick"']
        computer.configure()
        scene.begin_session()
        for words in _LOOKS:
            ran = scene.run(*words, "--config", computer.file)
            _require_in_order(ran)
            require(ran.document["drives_absent"] == ["Another stick"], ran.out[-300:])
        require(ran.document["files_proven"] == len(scene.known.now), ran.out[-300:])
        _file_and_check(scene)


def _file_and_check(scene: Scene) -> None:
    (scene.root / "indoors").mkdir()
    indoors = Scene(scene.root / "indoors", scene.root / "archive", scene.dice)
    indoors.drive.mkdir()
    desk = Desk(indoors)
    for words in (desk.file_words(scene.drive), ["check", str(scene.drive), "--json"], ["check", "--json"]):
        more = [] if "--config" in words or len(words) == 3 else ["--config", str(scene.computer.file)]
        ran = scene.run(*words, *more)
        _require_in_order(ran)
        require(ran.exit == 0, f"exit {ran.exit}: {ran.out[-300:]}{ran.err[-300:]}")


def _require_in_order(ran: Ran) -> None:
    require_ended(ran)
    require("does not know" not in ran.out + ran.err, f"no answer: {ran.out[-300:]}")
    require(ran.exit in (0, 1), f"exit {ran.exit}: {ran.out[-300:]}{ran.err[-300:]}")


FAULTS = (
    Fault("strangers-stick", "a mounted stick with a strange file as its mark", ("ext4",), 45, try_stick, 3),
)
