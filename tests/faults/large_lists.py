"""Lists far larger than their bag's files explain: read in 300 MB of memory, and called malformed."""

from __future__ import annotations

import random
from pathlib import Path

from tests.faults.archive_jobs import Desk, new_stick, send_to
from tests.faults.judge import Ran, require, require_ended
from tests.faults.scene import Scene, room
from tests.faults.trials import Fault, Trial, telling
from tests.support.large_lists import LISTS, short_lines, sparse_terabyte

# RLIMIT_DATA of getrlimit(2): what a process has in memory of its own.
_IN_300_MB = ("prlimit", "--data=300000000", "--")
_NIGHT = "2026-03-14"


def noise_without_end(path: Path, dice: random.Random) -> None:
    """Add 64 MB without the end of a line."""
    block = dice.randbytes(1 << 20).replace(b"\n", b"x").replace(b"\r", b"x")
    with path.open("ab") as file:
        for _ in range(64):
            file.write(block)


MADE = {
    "a sparse terabyte": lambda path, _: sparse_terabyte(path),
    "short lines": lambda path, _: short_lines(path),
    "a line without end": noise_without_end,
}


def try_list(trial: Trial) -> None:
    """Make one list of a night too large; check, file, and send to the drive."""
    dice = trial.dice
    name, how = LISTS[(trial.number + trial.seed) % len(LISTS)], dice.choice(sorted(MADE))
    with room() as root, telling(f"{how} in {name}"):
        scene = Scene(root, root / "archive", dice, trial.without)
        scene.drive.mkdir()
        desk, stick = Desk(scene), new_stick(scene)
        scene.begin_session()
        send_to(scene, stick)
        MADE[how](stick / _NIGHT / name, dice)
        scene.start = _IN_300_MB
        checked = scene.run("check", stick, "--json")
        _require_in_order(checked)
        told = [found["path"] for found in checked.document["findings"]]
        require(checked.exit == 1 and any(name in path for path in told), f"not found: {told}")
        _require_in_order(scene.run("check", stick, "--quick", "--json"))
        _require_in_order(scene.run(*desk.file_words(stick)))
        scene.go_on_with_session()
        _require_in_order(scene.run("send", "--drive", stick, "--json", "--config", scene.computer.file))


def _require_in_order(ran: Ran) -> None:
    require_ended(ran)
    require("MemoryError" not in ran.out + ran.err, f"it needs more memory: {ran.out[-300:]}")
    require("no memory" not in ran.out + ran.err, f"it needs more memory: {ran.out[-300:]}")
    require("does not know" not in ran.out + ran.err, f"no answer: {ran.out[-300:]}")
    require(ran.exit in (0, 1), f"exit {ran.exit}: {ran.out[-300:]}{ran.err[-300:]}")


FAULTS = (
    Fault(
        "large-lists",
        "lists of a terabyte or of 400,000 lines, read in 300 MB of memory",
        ("ext4",),
        54,
        try_list,
        3,
    ),
)
