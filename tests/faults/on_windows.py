"""The faults as Windows' interface meets them: the same jobs and judges, the runs under Wine.

What stands for strace there is tests/windows/at_a_call.py: it ends or holds a run at a call of the system.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from tests.faults import damage
from tests.faults.archive_jobs import FILINGS
from tests.faults.changing_sources import (
    SendChanging,
    _grow,
    _in_bag,
    _learn,
    _replace,
    _rewrite,
    _shrink,
    _vanish,
)
from tests.faults.clear_jobs import CLEAR_DRIVES, CLEARS
from tests.faults.drives import _fill, _kill_driver, mount_again
from tests.faults.following import Follow
from tests.faults.jobs import SENDS, CheckGood, Job
from tests.faults.judge import Ran, require, require_ended
from tests.faults.scene import Scene, prepare
from tests.faults.trials import SIZE_MB, Fault, NotMade, Trial, telling, unmount
from tests.support import nights
from tests.support.volumes import Volume
from tests.windows.rig import Rig, the_rig

UNDER_WINE = "wine-"
EXFAT, NTFS = f"{UNDER_WINE}exfat", f"{UNDER_WINE}ntfs"
_KILLED = 99  # the exit code that at_a_call.py ends a run with
_CHANGES = (_grow, _grow, _shrink, _vanish, _replace, _rewrite)


@dataclass
class WindowsScene(Scene):
    """A scene on the rig: the imaging computer on D:, the drive behind a letter of its own."""

    rig: Rig | None = None

    @property
    def on(self) -> Rig:
        """The rig."""
        assert self.rig is not None
        return self.rig

    def name_of(self, path: Path) -> str:
        """Return what Windows calls a path."""
        return self.on.name_of(path)

    def command(self, *words: str | Path) -> list[str]:
        """Return a command of the product, with each path by its name on Windows."""
        return self.on.python("-m", "transfer", *_named(words))

    def run(self, *words: str | Path) -> Ran:
        """Run a command of the product to its end."""
        return self._ran(self.on.call(self.command(*words)))

    def run_at(self, mode: str, number: int, words: list[str], act: Callable[[], None] | None = None) -> Ran:
        """Run a command that is counted, killed or held at a call of its own; `act` while it is held.

        Raises NotMade where it ended before it came there.
        """
        process = self.on.at_a_call(mode, number, *_named(words))
        held = act is not None and self.on.is_held(process)
        try:
            if act is not None and held:
                act()
        finally:
            ran = self.on.let_go(process)
        if act is not None and not held:
            raise NotMade
        if mode == "kill":
            # Wine's server closes what the process had open, and so removes what was to go, a moment later.
            self.on.call(["wine", "cmd", "/c", "exit"])
        return self._ran(ran)

    def _ran(self, ran: nights.Ran) -> Ran:
        """Return what came of a run; paths in its document have the names that this machine has for them."""
        out = ran.out
        if out.startswith("{"):
            ours = {self.name_of(path): str(path) for path in (self.root, self.drive)}
            out = json.dumps(_by_other_names(json.loads(out), ours))
        return Ran(ran.exit, out, ran.err, killed=ran.exit == _KILLED)


def _by_other_names(said: Any, names: Mapping[str, str]) -> Any:
    """Return a document whose texts that begin with a path begin with another name of it."""
    if isinstance(said, dict):
        return {key: _by_other_names(value, names) for key, value in said.items()}
    if isinstance(said, list):
        return [_by_other_names(value, names) for value in said]
    for name, other in names.items():
        if isinstance(said, str) and said.startswith(name):
            return other + "/" * name.endswith("\\") + said.removeprefix(name).replace("\\", "/")
    return said


def _named(words: Iterable[str | Path]) -> list[str | Path]:
    """Make paths of the words that are some, so that they get their names on Windows."""
    return [Path(word) if str(word).startswith("/") else word for word in words]


@contextmanager
def windows_scene(trial: Trial, size_mb: int = SIZE_MB) -> Iterator[tuple[WindowsScene, Volume]]:
    """Return a scene on the rig whose drive is a real volume, its mark safe on the medium."""
    rig = the_rig()
    root = rig.root("d") / trial.fault
    letter = "h" if trial.fault == "windows-damage" else "e"  # that one stays for all its trials
    shutil.rmtree(root, ignore_errors=True)
    with rig.volume(letter, trial.on.removeprefix(UNDER_WINE), size_mb) as drive:
        prepare(drive.path)
        unmount(drive)
        drive.mount_again()
        root.mkdir()
        try:
            yield WindowsScene(root, drive.path, trial.dice, rig=rig), drive
        finally:
            shutil.rmtree(root, ignore_errors=True)


@contextmanager
def _at_a_moment(
    trial: Trial, jobs: tuple[type[Job], ...]
) -> Iterator[tuple[WindowsScene, Volume, Job, int]]:
    """Bring a job to where it is about to be run; one of its moments is drawn."""
    dice = trial.dice_for("moment")
    kind = next((each for each in jobs if each.name == trial.job), dice.choice(jobs))
    number = dice.randrange(1, _moments_in(kind, trial.on) + 1)
    with windows_scene(trial) as (scene, drive):
        job = kind(scene)
        job.make_ready()
        with telling(f"{kind.name}, at moment {number}"):
            yield scene, drive, job, number


@cache
def _moments_in(kind: type[Job], on: str) -> int:
    """Count the moments of a job that nothing befalls."""
    with windows_scene(Trial("windows-counted", on, 0, 0)) as (scene, _):
        job = kind(scene)
        job.make_ready()
        ran = scene.run_at("count", 0, job.words())
        require_ended(ran, "a run that was counted", 0, 1)  # 1: a frame that was changed stays
        return int(ran.err.rpartition("CALLS ")[2])


def try_kill(trial: Trial) -> None:
    """Kill a run at one of its calls."""
    _try_kill(trial, SENDS)


def try_kill_filing(trial: Trial) -> None:
    """Kill a run of `file` at one of its calls; the drive behind the letter is the archive's disk."""
    _try_kill(trial, FILINGS)


def try_kill_clear(trial: Trial) -> None:
    """Kill a run of `clear --delete` at one of its calls, each deletion among them."""
    _try_kill(trial, CLEARS)


def try_kill_clear_drive(trial: Trial) -> None:
    """Kill a run that lets a night go from the drive at one of its calls."""
    _try_kill(trial, CLEAR_DRIVES)


def try_kill_follower(trial: Trial) -> None:
    """Kill a follower, which closes its night itself after a few seconds, at one of its calls."""
    _try_kill(trial, (Follow,))


def _try_kill(trial: Trial, jobs: tuple[type[Job], ...]) -> None:
    with _at_a_moment(trial, jobs) as (scene, _, job, number):
        ran = scene.run_at("kill", number, job.words())
        if not ran.killed:
            raise NotMade
        job.judge(ran)
        job.judge_again()


def try_pull(trial: Trial) -> None:
    """Pull the drive: its driver is killed, and every call fails from then on."""
    _try_pull(trial, (*SENDS, CheckGood))


def try_pull_archive(trial: Trial) -> None:
    """Pull the archive's disk while a drive is filed into it."""
    _try_pull(trial, FILINGS)


def _try_pull(trial: Trial, jobs: tuple[type[Job], ...]) -> None:
    with _at_a_moment(trial, jobs) as (scene, drive, job, number):
        try:
            ran = scene.run_at("hold", number, job.words(), lambda: _kill_driver(drive))
        finally:
            drive.pull()
            mount_again(drive)
        job.judge(ran)
        job.judge_again()


def try_fill(trial: Trial) -> None:
    """Leave less room than the night needs, from none to enough; before the run, or in the middle of it."""
    dice = trial.dice_for("fill")
    mid_night, level = dice.randrange(2), dice.random() * 1.3
    with _at_a_moment(trial, SENDS) as (scene, drive, job, number):
        filler = drive.path / "filler.bin"
        needed = job.needs_bytes if mid_night else job.room_bytes
        if mid_night:
            ran = scene.run_at(
                "hold", number, job.words(), lambda: _fill(filler, drive.path, int(needed * level))
            )
        else:
            _fill(filler, drive.path, int(needed * level))
            ran = scene.run(*job.words())
        job.judge(ran)
        filler.unlink()
        job.judge_again()


def try_damage(trial: Trial) -> None:
    """Change a bit, a block, a length, a name or a list of a proven drive."""
    damage.try_damage(trial, windows_scene)


def try_sources(trial: Trial) -> None:
    """Change a source under the run, or have another program hold it for the whole run."""
    dice = trial.dice_for("sources")
    how = dice.choice(("changed", "changed", "written", "alone"))
    if how != "changed":
        _try_held(trial, how)
        return
    change = dice.choice(_CHANGES)
    with _at_a_moment(trial, (SendChanging,)) as (scene, _, job, number):
        files = sorted(p for p in (scene.root / "imaging/computer").rglob("*") if p.is_file())
        path = dice.choice([each for each in files if each.stat().st_size])

        def act() -> None:
            change(path)
            _learn(scene, path)

        with telling(f"{change.__name__.strip('_')} {path.name}"):
            assert isinstance(job, SendChanging)
            job.victims = {_in_bag(path, scene)}
            job.judge(scene.run_at("hold", number, job.words(), act))
            job.judge_again()


def _try_held(trial: Trial, how: str) -> None:
    dice = trial.dice_for("held")
    with windows_scene(trial) as (scene, _):
        job = SendChanging(scene)
        job.make_ready()
        path = dice.choice(sorted(scene.computer.frames.rglob("light*")))
        with telling(f"held {how}: {path.name}"):
            with scene.on.another_program_holds(how, path):
                ran = scene.run(*job.words())
            _require_told(ran, how, _in_bag(path, scene).removeprefix("data/"))
            job.victims = {_in_bag(path, scene)}
            job.judge(ran)
            job.judge_again()


def _require_told(ran: Ran, how: str, path: str) -> None:
    """Check that a file another program has open is carried and marked, or named where it cannot be read."""
    wanted_exit, wanted = (0, "still growing") if how == "written" else (1, "locked by another program")
    told = [(found["finding"], found["path"]) for found in ran.document["findings"]]
    require(ran.exit == wanted_exit, f"it ended with {ran.exit}: {told[:4]}")
    named = [finding for finding, named in told if named.endswith(path)]
    require(wanted in named, f"{path} is not told to be {wanted}: {told[:4]}")


FAULTS = (
    Fault("windows-killed", "Windows: a run killed at a call of the system", (EXFAT, NTFS), 100, try_kill, 4),
    Fault("windows-pulled", "Windows: the drive pulled, plugged in again", (EXFAT, NTFS), 40, try_pull, 3),
    Fault(
        "windows-damage",
        "Windows: a bit, a block, a length, a name or a list changed",
        (EXFAT, NTFS),
        60,
        try_damage,
        2,
    ),
    Fault(
        "windows-file-killed",
        "Windows: `file` killed at a call of the system",
        (EXFAT, NTFS),
        20,
        try_kill_filing,
        1,
    ),
    Fault(
        "windows-archive-pulled",
        "Windows: the archive's disk pulled while `file` runs, plugged in again",
        (EXFAT, NTFS),
        10,
        try_pull_archive,
        1,
    ),
    Fault(
        "windows-clear-killed",
        "Windows: `clear` killed at a call of the system",
        (EXFAT, NTFS),
        40,
        try_kill_clear,
        1,
    ),
    Fault(
        "windows-clear-drive-killed",
        "Windows: `clear --drive` killed at a call of the system",
        (EXFAT, NTFS),
        20,
        try_kill_clear_drive,
        0,
    ),
    Fault(
        "windows-follow-killed",
        "Windows: followed night killed at a call of the system",
        (EXFAT, NTFS),
        20,
        try_kill_follower,
        0,
    ),
    Fault("windows-filled", "Windows: the drive filled to every level", (EXFAT, NTFS), 20, try_fill, 2),
    Fault(
        "windows-sources",
        "Windows: sources change under the run, or another program holds them",
        (EXFAT, NTFS),
        40,
        try_sources,
        4,
    ),
)
