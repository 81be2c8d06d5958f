"""The commands with configurations that are wrong: told so, in order, and nothing else is touched."""

from __future__ import annotations

import os
import random
import subprocess
from pathlib import Path

from tests.faults.judge import Ran, fingerprint, require, require_same
from tests.faults.scene import ENDS_WITHIN_S, HERE, Scene, environment, prepare, room
from tests.faults.trials import Fault, Trial, telling
from tests.faults.wrong_configurations import WRONG, Wrong, whole

# What lets root read any file: without it permissions apply.
_WITHOUT = "-dac_override,-dac_read_search"
_FAULT_IN_PROGRAM = "met what it does not know"


def _commands(scene: Scene) -> list[list[str]]:
    drive = str(scene.drive)
    return [
        ["plan", "--drive", drive],
        ["send", "--drive", drive],
        ["file", drive],
        ["file", drive, "--dry-run"],
        ["check"],
        ["targets"],
        ["nights"],
        ["frames", "--target", "M 51"],
        ["gather", "M 51", "--into", str(scene.root / "processing")],
        ["index"],
    ]


def try_configuration(trial: Trial) -> None:
    """Run one command with one wrong configuration, named in one of the ways there are."""
    wrong = WRONG[trial.number % len(WRONG)]
    with room() as root, telling(wrong.what):
        scene = _scene(root, trial)
        file = scene.computer.file
        file.unlink()
        wrong.write(file, whole(), trial.dice)
        words = trial.dice.choice(_commands(scene))
        before = fingerprint(root)
        ran = _run(scene, words, trial.dice)
        with telling(" ".join(words)):
            _judge(ran, wrong, file)
            scene.require_sources_untouched()
            if ran.exit == 2:
                require_same(before, fingerprint(root), "something")
        if file.exists() and not os.access(file, os.R_OK):
            file.chmod(0o600)


def _scene(root: Path, trial: Trial) -> Scene:
    (root / "imaging/drive").mkdir(parents=True)
    (root / "imaging/archive").mkdir()
    scene = Scene(root, prepare(root / "imaging/drive"), trial.dice)
    scene.computer.frame("light_001.fits", data=bytes(3_000))
    scene.computer.log("mount.log", b"21:00 unparked\n")
    scene.look()
    return scene


def _run(scene: Scene, words: list[str], dice: random.Random) -> Ran:
    """Run it; the file is named in a way, or lies where it is looked for. Permissions apply, also to root."""
    around = environment() | {"HOME": str(scene.root), "XDG_CONFIG_HOME": str(scene.root / "none")}
    file = scene.computer.file
    here, more = HERE, ["--config", str(file)]
    how = dice.randrange(4)
    if how == 1:
        more, around = [], around | {"NIGHTFERRY_CONFIG": str(file)}
    elif how == 2:
        here, more = file.parent, []
    json = ["--json"] if dice.randrange(2) else []
    limited = ["setpriv", f"--bounding-set={_WITHOUT}", f"--inh-caps={_WITHOUT}"]
    done = subprocess.run(
        [*limited, *scene.command(*words, *more, *json)],
        capture_output=True,
        stdin=subprocess.DEVNULL,
        env=around,
        cwd=here,
        timeout=ENDS_WITHIN_S,
        check=False,
    )
    return Ran(done.returncode, done.stdout.decode(), done.stderr.decode())


def _judge(ran: Ran, wrong: Wrong, file: Path) -> None:
    message = str(ran.document["message"]) if ran.out.startswith("{") else ran.out + ran.err
    told = f"it ended with {ran.exit}: {message[-600:]}"
    require(0 <= ran.exit <= 6, told)
    require("Traceback" not in ran.err and _FAULT_IN_PROGRAM not in message, told)
    require(wrong.refused is None or wrong.refused == (ran.exit == 2), told)
    if ran.exit != 2:
        return
    require(str(file) in message, f"it does not name the file; {told}")
    require(all(line.isprintable() for line in message.split("\n")), f"{message!r}")
    require(len(message) < 6_000, f"a message of {len(message)} characters")
    require(wrong.named in message, f"it does not name {wrong.named}; {told}")
    require(not wrong.near or f"did you mean {wrong.near}?" in message, f"not {wrong.near}; {told}")


FAULTS = (
    Fault(
        "configuration",
        "a configuration with a key missing, misspelt or out of range, or that is none",
        ("ext4",),
        700,
        try_configuration,
        8,
    ),
)
