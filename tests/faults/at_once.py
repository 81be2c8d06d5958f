"""Several runs at one drive at the same time, of one computer or of two, and checks among them."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import time

from tests.faults.judge import (
    Ran,
    receipt_on,
    require,
    require_complete,
    require_ended,
    require_truth,
    require_whole,
)
from tests.faults.scene import ENDS_WITHIN_S, HERE, Scene, environment
from tests.faults.trials import Fault, Trial, drive_scene, telling

_BUSY = 5


def try_at_once(trial: Trial) -> None:
    """Start two or four runs at once; one of them may be killed while it holds the drive."""
    dice = trial.dice
    count, computers = dice.choice((2, 4)), dice.choice((1, 2))
    killed = dice.randrange(3) == 0
    with drive_scene(trial) as (scene, _):
        scenes = [scene, *(another_computer(scene) for _ in range(computers - 1))]
        receipt = receipt_on(scene.drive)
        runs = [_start(scenes[number % computers]) for number in range(count)]
        checking = _start_check(scene) if dice.randrange(2) else None
        if killed:
            time.sleep(dice.random() * 0.6)
            runs[0].send_signal(signal.SIGKILL)
        rans = [ended(run) for run in runs]
        with telling(f"{count} runs, {computers} computers, {'one killed' if killed else 'none killed'}"):
            for number, ran in enumerate(rans):
                _judge(ran, scenes[number % computers], receipt)
            if checking is not None:
                _judge_check(ended(checking))
            require(killed or any(ran.exit == 0 for ran in rans), f"none: {[r.exit for r in rans]}")
            _judge_again(scenes)


def another_computer(scene: Scene) -> Scene:
    """Return another computer with the same drive: the same names, other content."""
    other = Scene(scene.root / "other", scene.drive, random.Random(scene.dice.random()), scene.without)
    other.begin_session()
    for number in range(3):
        other.computer.frame(f"M 51/Ha/light_{number:03}.fits", data=other.dice.randbytes(60_000))
    # No two computers write their frames in the same nanosecond: size and time tell a file that is known.
    for path in (other.root / "imaging/computer").rglob("*.*"):
        os.utime(path, ns=(path.stat().st_atime_ns, path.stat().st_mtime_ns + 10**9))
    other.look()
    return other


def _start(scene: Scene) -> subprocess.Popen[bytes]:
    if not scene.known.now:
        scene.begin_session()
    return started(scene.command(*scene.send_words()))


def _start_check(scene: Scene) -> subprocess.Popen[bytes]:
    return started(scene.command("check", scene.drive, "--json"))


def started(command: list[str]) -> subprocess.Popen[bytes]:
    pipe = subprocess.PIPE
    null = subprocess.DEVNULL
    return subprocess.Popen(command, stdout=pipe, stderr=pipe, stdin=null, env=environment(), cwd=HERE)


def ended(run: subprocess.Popen[bytes]) -> Ran:
    out, err = run.communicate(timeout=ENDS_WITHIN_S)
    killed = run.returncode == -signal.SIGKILL
    return Ran(run.returncode, out.decode(errors="replace"), err.decode(errors="replace"), killed)


def _judge(ran: Ran, scene: Scene, receipt: bytes | None) -> None:
    scene.require_sources_untouched()
    if not ran.killed:
        require_ended(ran, "it", 0, _BUSY)
    if ran.exit == 0:
        require_truth(ran, scene.drive, scene.known.now, receipt)


def _judge_check(ran: Ran) -> None:
    require_ended(ran, "the check", 0, 1, 3)


def _judge_again(scenes: list[Scene]) -> None:
    for scene in scenes:
        again = scene.send()
        require_ended(again, "sent again, it", 0)
        scenes[0].known.ever |= scene.known.ever
    for scene in scenes:
        require_complete(scene.drive, scene.known.now)
    require_whole(scenes[0].drive, scenes[0].known)


FAULTS = (Fault("at-once", "two and four runs at once, one killed", ("exfat", "ext4"), 100, try_at_once, 2),)
