"""Sources that grow, shrink, vanish, are replaced, rewritten or locked at the moment they are read."""

from __future__ import annotations

import contextlib
import fcntl
import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from drives import pause
from jobs import SendFirst
from judge import Ran, require, require_complete, require_truth, require_whole, sha256_of
from scene import Scene, noise
from system_calls import draw
from trials import Fault, Trial, drive_scene, telling

_MOMENTS = ("openat", "read", "close")
_HELD_S = 2.0
_SOURCES = "{room}/imaging/computer/"


class SendChanging(SendFirst):
    """A send of a night with a log of several blocks; one source is not what it was when it is read."""

    name = "send-changing"
    victim = ""

    def make_ready(self) -> None:
        super().make_ready()
        self.scene.computer.log("allsky.log", noise(2_700_000, 90))
        self.scene.look()

    def judge(self, ran: Ran) -> None:
        scene = self.scene
        scene.require_sources_untouched()
        others = {path: sha256 for path, sha256 in scene.known.now.items() if path != self.victim}
        require_truth(ran, scene.drive, others, self._receipt)
        require_whole(scene.drive, scene.known, torn_if_marked=True)

    def judge_again(self) -> None:
        again = self.scene.send()
        require(
            again.exit == 0, f"sent again, it ended with {again.exit}: {again.out[-600:]}{again.err[-300:]}"
        )
        self.scene.require_sources_untouched()
        require_complete(self.scene.drive, self.scene.known.now)


def _grow(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"one line more\n" * 50)


def _shrink(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def _vanish(path: Path) -> None:
    path.unlink()


def _replace(path: Path) -> None:
    other = path.with_name(f".new {path.name}")
    other.write_bytes(noise(120_000, 91))
    other.replace(path)


def _rewrite(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(noise(path.stat().st_size, 92))


_CHANGES = (_grow, _grow, _shrink, _vanish, _replace, _rewrite)


def try_change(trial: Trial) -> None:
    """Change a source while it is read; or hold it locked for the whole run."""
    if trial.dice_for("lock").randrange(6) == 0:
        _try_locked(trial)
        return
    _, call = draw(trial, _MOMENTS, (SendChanging,), _SOURCES)
    change = trial.dice_for("change").choice(_CHANGES)
    with drive_scene(trial) as (scene, _):
        job = SendChanging(scene)
        job.make_ready()
        path = _file_of(call.path, scene)

        def act(_: int) -> None:
            change(path)
            _learn(scene, path)

        with telling(
            f"{change.__name__.strip('_')} {path.name}, at {call.name} {call.number} on {call.path}"
        ):
            job.victim = _in_bag(path, scene)
            traced = pause(scene, job, call, act)
            job.judge(traced.ran)
            job.judge_again()


def _file_of(named: str, scene: Scene) -> Path:
    """Give the file that a call concerns; for a folder's call, one of the files there is."""
    path = Path(named.replace("{room}", str(scene.root)))
    files = sorted(
        p for p in (scene.root / "imaging/computer").rglob("*") if p.is_file() and p.stat().st_size
    )
    return path if path in files else scene.dice.choice(files)


def _in_bag(path: Path, scene: Scene) -> str:
    return f"data/{path.relative_to(scene.root / 'imaging/computer').as_posix()}"


def _learn(scene: Scene, path: Path) -> None:
    scene.look()
    if path.exists():
        scene.known.ever.add(sha256_of(path))


def _try_locked(trial: Trial) -> None:
    """Hold a source as another program may: under a lease that keeps others from opening it."""
    with drive_scene(trial) as (scene, _):
        job = SendChanging(scene)
        job.make_ready()
        path = scene.dice.choice(sorted(scene.computer.frames.rglob("light*")))
        with telling(f"locked {path.name}"):
            with _held(path):
                ran = scene.run(*job.words())
            job.victim = _in_bag(path, scene)
            job.judge(ran)
            job.judge_again()


@contextmanager
def _held(path: Path) -> Iterator[None]:
    """Hold a write lease (fcntl(2), F_SETLEASE), for two seconds: the kernel would break it after 45.

    The kernel's word that others wait, SIGURG here, does not end this process.
    """
    descriptor = os.open(path, os.O_RDWR)

    def let_go() -> None:
        with contextlib.suppress(OSError):
            fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_UNLCK)

    waiting = threading.Timer(_HELD_S, let_go)
    try:
        fcntl.fcntl(descriptor, fcntl.F_SETSIG, signal.SIGURG)
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_WRLCK)
        waiting.start()
        yield
    finally:
        waiting.cancel()
        let_go()
        os.close(descriptor)


FAULTS = (
    Fault("sources", "sources grow, shrink, vanish, are replaced, locked", ("ext4",), 200, try_change, 3),
)
