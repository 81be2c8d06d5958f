"""Faults while files are let go: killed, calls that fail, acknowledgements that are forged."""

from __future__ import annotations

import hashlib
import hmac
import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.faults.clear_jobs import CLEAR_DRIVES, CLEARS, Clear
from tests.faults.judge import require, require_ended
from tests.faults.replay import try_replayed
from tests.faults.scene import run_plainly
from tests.faults.system_calls import FAILURES, KILLED_AT, draw, fail_at, kill_at
from tests.faults.trials import Fault, Trial, drive_scene, telling

# On FAT32 in user space a read-back may come from memory: what a drive has then counts for nothing.
ON = ("ext4", "exfat", "ntfs")
OTHER = "0f0f0f0f-0000-4000-8000-000000000000"
Forge = Callable[[dict[str, Any], random.Random], dict[str, Any] | bytes]


def try_kill(trial: Trial) -> None:
    """Kill a run as it enters a system call."""
    kill_at(trial, *draw(trial, KILLED_AT, CLEARS))


def try_failure(trial: Trial) -> None:
    """Make a system call of a run fail, once or from then on."""
    fail_at(trial, *draw(trial, tuple(FAILURES), CLEARS))


def try_kill_drive(trial: Trial) -> None:
    """Kill a run that lets a night go from a drive as it enters a system call."""
    kill_at(trial, *draw(trial, KILLED_AT, CLEAR_DRIVES))


def try_failure_drive(trial: Trial) -> None:
    """Make a system call of a run that lets a night go from a drive fail, once or from then on."""
    fail_at(trial, *draw(trial, tuple(FAILURES), CLEAR_DRIVES))


def try_replayed_clear(trial: Trial) -> None:
    """Cut the power of the disk that sources and the ledger are on, while files are let go."""
    try_replayed(trial, (Clear,))


def try_replayed_drive(trial: Trial) -> None:
    """Cut the power of a drive while a night is let go from it."""
    try_replayed(trial, CLEAR_DRIVES)


# Forged acknowledgements


def _without_signature(document: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in document.items() if name != "keyed"}


def _signed_by_another(document: dict[str, Any], dice: random.Random) -> dict[str, Any]:
    """Sign as the format says, with a key of the forger's own, under the id of the right key."""
    rest = _without_signature(document)
    spelled = json.dumps(rest, sort_keys=True, separators=(",", ":")).encode()
    signature = hmac.new(dice.randbytes(32), spelled, hashlib.sha256).hexdigest()
    return rest | {"keyed": dict.fromkeys(document["keyed"], signature)}


def _cut(document: dict[str, Any], dice: random.Random) -> bytes:
    content = json.dumps(document).encode()
    return content[: dice.randrange(len(content))]


def _as_another(document: dict[str, Any], _: random.Random) -> dict[str, Any]:
    return _without_signature(document) | {"archive": {"id": OTHER, "name": "attic"}}


FORGED: dict[str, Forge] = {
    "a file more, the signature left": lambda document, _: document,
    "a file more, not signed": lambda document, _: _without_signature(document),
    "a file more, signed with another key": _signed_by_another,
    "a file more, of another archive": _as_another,
    "a file more, cut off": _cut,
    "a file more, dated next year": lambda document, _: (
        document | {"acknowledged": "2999-01-01T00:00:00+00:00"}
    ),
    "a file more, of another manifest": lambda document, _: (
        _without_signature(document) | {"manifest_sha256": "0" * 64}
    ),
}


def try_forged(trial: Trial) -> None:
    """Bring a drive home that says of the frame that was never carried that an archive has it.

    The drive lists that frame, too, and has a file of its size; its tag manifest vouches for all of it.
    """
    name = sorted(FORGED)[trial.number % len(FORGED)]
    with drive_scene(trial) as (scene, _), telling(name):
        job = Clear(scene)
        job.make_ready()
        scene.computer.more = "[clear]\ncopies = 1\n"  # so that the archive's word alone would do
        scene.computer.configure()
        _forge(job, FORGED[name], trial.dice_for("forged"))
        job.look_again()
        ran = run_plainly(scene.command(*job.words()))
        require_ended(ran, "it")
        gone = job.require_nothing_lost()
        require("frames/late.fits" not in gone, "the frame that was never carried has gone")
        require(ran.exit == 1, f"nothing was said of the forgery: exit {ran.exit}")


def _forge(job: Clear, forge: Forge, dice: random.Random) -> None:
    bag = next(job.scene.drive.glob("*/manifest-sha256.txt")).parent
    (path,) = (bag / "nightferry").glob("acknowledgement-*.json")
    document = json.loads(path.read_bytes())
    late = (job.scene.computer.frames / "late.fits").read_bytes()
    more = {
        "path": "data/frames/late.fits",
        "sha256": hashlib.sha256(late).hexdigest(),
        "size_bytes": len(late),
        "source": "frames",
        "original": "late.fits",
        "to": "M 51/data/late.fits",
    }
    made = forge(document | {"files": [*document["files"], more]}, dice)
    content = made if isinstance(made, bytes) else json.dumps(made).encode()
    new = path.with_name(f"acknowledgement-{OTHER}.json") if OTHER.encode() in content else path
    path.unlink()
    new.write_bytes(content)
    _vouch(bag, path, new)


def _vouch(bag: Path, old: Path, new: Path) -> None:
    tags = bag / "tagmanifest-sha256.txt"
    lines = [line for line in tags.read_text().splitlines() if old.name not in line]
    lines.append(f"{hashlib.sha256(new.read_bytes()).hexdigest()}  nightferry/{new.name}")
    tags.write_text("\n".join(lines) + "\n")


FAULTS = (
    Fault("clear-killed", "`clear` killed at a system call", ON, 500, try_kill, 3),
    Fault("clear-call-fails", "a system call of `clear` fails", ON, 300, try_failure, 3),
    Fault("clear-drive-killed", "`clear --drive` killed at a system call", ON, 500, try_kill_drive, 2),
    Fault("clear-drive-call-fails", "a system call of `clear --drive` fails", ON, 300, try_failure_drive, 1),
    Fault(
        "clear-replayed",
        "power cut in `clear`, each sector that was not flushed kept or not",
        ON,
        200,
        try_replayed_clear,
        2,
    ),
    Fault(
        "clear-drive-replayed",
        "power cut in `clear --drive`, each sector that was not flushed kept or not",
        ON,
        200,
        try_replayed_drive,
        2,
    ),
    Fault(
        "clear-forged",
        "an acknowledgement forged, cut off, of another archive",
        ("ext4",),
        200,
        try_forged,
        2,
    ),
)
