"""Sources that change at the moment they are read, that others hold locked, or that may no longer be read."""

from __future__ import annotations

import contextlib
import fcntl
import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.faults.drives import pause
from tests.faults.jobs import SendFirst
from tests.faults.judge import (
    Ran,
    require,
    require_complete,
    require_ended,
    require_lists_true,
    require_truth,
    require_whole,
    sha256_of,
)
from tests.faults.scene import Scene, noise
from tests.faults.system_calls import draw
from tests.faults.trials import Fault, Trial, drive_scene, telling

_MOMENTS = ("openat", "read", "close")
_HELD_S = 2.0
_SOURCES = "{room}/imaging/computer/"


class SendChanging(SendFirst):
    """A send of a night with a log of several blocks; one source is not what it was when it is read."""

    name = "send-changing"
    victims: frozenset[str] | set[str] = frozenset()
    anywhere: frozenset[str] = frozenset()  # contents that have to be there, under whatever name

    def make_ready(self) -> None:
        super().make_ready()
        self.scene.computer.log("allsky.log", noise(2_700_000, 90))
        self.scene.look()

    def judge(self, ran: Ran) -> None:
        scene = self.scene
        scene.require_sources_untouched()
        # What comes into being in a victim's place comes after the run has looked.
        within = tuple(f"{victim}/" for victim in self.victims)
        others = {
            path: sha256
            for path, sha256 in scene.known.now.items()
            if path not in self.victims and not path.startswith(within)
        }
        require_truth(ran, scene.drive, others, self._receipt)
        require_whole(scene.drive, scene.known, torn_if_marked=True)

    def judge_again(self) -> None:
        again = self.scene.send()
        require_ended(again, "sent again, it", 0)
        self.scene.require_sources_untouched()
        now = self.scene.known.now
        require_complete(
            self.scene.drive, {path: sha256 for path, sha256 in now.items() if sha256 not in self.anywhere}
        )
        lost = self.anywhere - _listed_anywhere(self.scene)
        require(not lost, f"not on the drive: {lost}")


def _listed_anywhere(scene: Scene) -> set[str]:
    return set().union(*require_lists_true(scene.drive).values())


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


def _become_a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()
    (path / "within.txt").write_bytes(b"a folder now, with a note in it\n")


def _become_a_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def _become_a_link(path: Path) -> None:
    """Lead to another file, which is outside the sources: links are followed."""
    other = next(folder for folder in path.parents if folder.name == "computer").with_name("linked to")
    other.write_bytes(noise(70_000, 93))
    path.unlink()
    path.symlink_to(other)


def _become_a_dead_link(path: Path) -> None:
    path.unlink()
    path.symlink_to(path.with_name("nowhere"))


_CHANGES = (
    *(_grow, _grow, _shrink, _vanish, _replace, _rewrite),
    *(_become_a_folder, _become_a_pipe, _become_a_link, _become_a_dead_link),
)


def try_change(trial: Trial) -> None:
    """Change a source while it is read; or hold it locked, or not to be read, for the whole run."""
    kind = trial.dice_for("kind").randrange(8)
    if kind < len(_HELD_SOMEHOW):
        _HELD_SOMEHOW[kind](trial)
        return
    change_during(trial, SendChanging)


def change_during(trial: Trial, kind: type[SendChanging]) -> None:
    """Change a source at a moment at which a run looks at the sources."""
    _, call = draw(trial, _MOMENTS, (kind,), _SOURCES)
    change = trial.dice_for("change").choice(_CHANGES)
    with drive_scene(trial) as (scene, _):
        job = kind(scene)
        job.make_ready()
        path = _file_of(call.path, scene)

        def act(_: int) -> None:
            change(path)
            _learn(scene, path)

        with telling(
            f"{change.__name__.strip('_')} {path.name}, at {call.name} {call.number} on {call.path}"
        ):
            job.victims = {_in_bag(path, scene)}
            traced = pause(scene, job, call, act)
            if path.is_dir():
                job.anywhere = frozenset({sha256_of(path / "within.txt")})
            job.judge(traced.ran)
            job.judge_again()


def _file_of(named: str, scene: Scene) -> Path:
    """Return the file that a call concerns; for a folder's call, one of the files there is."""
    path = Path(named.replace("{room}", str(scene.root)))
    files = sorted(
        p for p in (scene.root / "imaging/computer").rglob("*") if p.is_file() and p.stat().st_size
    )
    return path if path in files else scene.dice.choice(files)


def _in_bag(path: Path, scene: Scene) -> str:
    return f"data/{path.relative_to(scene.root / 'imaging/computer').as_posix()}"


def _learn(scene: Scene, path: Path) -> None:
    scene.look()
    if path.is_file():
        scene.known.ever.add(sha256_of(path))


def _try_locked(trial: Trial) -> None:
    """Lock a source as another program may: with a lease that keeps others from opening it."""
    with drive_scene(trial) as (scene, _):
        job = SendChanging(scene)
        job.make_ready()
        path = scene.dice.choice(sorted(scene.computer.frames.rglob("light*")))
        with telling(f"locked {path.name}"):
            with _held(path):
                ran = scene.run(*job.words())
            job.victims = {_in_bag(path, scene)}
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


def _try_flocked(trial: Trial) -> None:
    """Hold a source under flock(2), which asks others to wait and keeps nobody from reading."""
    with drive_scene(trial) as (scene, _):
        job = SendChanging(scene)
        job.make_ready()
        path = scene.dice.choice(sorted(p for p in scene.computer.logs.rglob("*") if p.is_file()))
        with telling(f"flocked {path.name}"), path.open("rb") as held:
            fcntl.flock(held, fcntl.LOCK_EX)
            ran = scene.run(*job.words())
            require_ended(ran, "it", 0)
            job.judge(ran)
            job.judge_again()


# A process of root's that is held to the permissions of files, as anybody else's is (capabilities(7)).
_AS_ANYBODY = ("setpriv", "--bounding-set", "-dac_override,-dac_read_search", "--")


def _try_withdrawn(trial: Trial) -> None:
    """Take away the right to read a source, or one of their folders, before the run or in the midst of it."""
    dice = trial.dice_for("withdrawn")
    calls = draw(trial, _MOMENTS, (SendChanging,), _SOURCES)
    with drive_scene(trial) as (scene, _):
        scene.start = _AS_ANYBODY
        job = SendChanging(scene)
        job.make_ready()
        file = _file_of(calls[1].path, scene)
        path = dice.choice((file, file, file.parent))
        mode = path.stat().st_mode

        def withdraw(_: int = 0) -> None:
            path.chmod(0)
            scene.look()

        with telling(f"not to be read: {path.name}"):
            job.victims = {name for name in scene.known.now if name.startswith(_in_bag(path, scene))}
            if dice.randrange(2):
                withdraw()
                ran = scene.run(*job.words())
                require(ran.exit != 0, "exit 0, and a source could not be read")
            else:
                ran = pause(scene, job, calls[1], withdraw).ran
            job.judge(ran)
            _require_told_of(ran, path, scene, job.victims)
            path.chmod(mode)
            scene.look()
            job.judge_again()


def _require_told_of(ran: Ran, path: Path, scene: Scene, concerned: set[str]) -> None:
    """Check that what could not be read is carried all the same, or named."""
    listed = require_lists_true(scene.drive)
    lost = [name for name in concerned if scene.known.now[name] not in listed.get(name, ())]
    if not lost:
        return
    wanted = 3 if path in (scene.computer.frames, scene.computer.logs) else 1
    require(ran.exit == wanted, f"it ended with {ran.exit}, and {lost[:3]} were not carried")
    named = [found["path"] for found in ran.document["findings"]]
    below = _in_bag(path, scene).removeprefix("data/")
    require(any(each.startswith(below) for each in named), f"{below} is not named in {named[:5]}")


_HELD_SOMEHOW = (_try_locked, _try_flocked, _try_withdrawn)


FAULTS = (
    Fault(
        "sources",
        "sources grow, shrink, vanish, are replaced, locked, not to be read",
        ("ext4",),
        200,
        try_change,
        4,
    ),
)
