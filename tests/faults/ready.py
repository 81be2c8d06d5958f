"""A job at the moment before its command: made ready for each trial, or once for many and put back for each.

To send, file and carry home takes longer than all else in a trial. What lies on the drive and in the room is
kept when that is done, byte for byte and with its times, and put back at the same paths for each of the
trials that follow, until the scene is drawn anew.
"""

from __future__ import annotations

import atexit
import random
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.faults.jobs import Job
from tests.faults.scene import Scene, prepare, room
from tests.faults.trials import REDRAWN, SIZE_MB, Trial, drive_scene, unmount
from tests.support.volumes import Volume, volume_in

_TRIALS_OF_ONE = 25  # then the scene is drawn anew
_DRIVE = "drive"


@contextmanager
def ready(trial: Trial, kind: type[Job]) -> Iterator[tuple[Job, Volume]]:
    """Return a job that is ready to be run, and the drive of its scene."""
    if kind.ready_once:
        with _kept(trial, kind).put_back() as made:
            yield made
        return
    with drive_scene(trial) as (scene, drive):
        job = kind(scene)
        job.make_ready()
        yield job, drive


@dataclass(frozen=True)
class _Kept:
    """A scene as it was when its job was ready: `room` and `image` are put back where they were."""

    job: Job
    on: str
    image: Path
    kept: Path
    held: ExitStack

    @contextmanager
    def put_back(self) -> Iterator[tuple[Job, Volume]]:
        root = self.job.scene.root
        for path in root.iterdir():
            if path.name != _DRIVE:
                shutil.rmtree(path) if path.is_dir() else path.unlink()
        shutil.copytree(self.kept / "room", root, symlinks=True, dirs_exist_ok=True)
        shutil.copyfile(self.kept / "image", self.image)
        with volume_in(self.on, self.image, root / _DRIVE, new=False) as drive:
            self.job.look_again()
            yield self.job, drive


_last: dict[tuple[str, str, str], tuple[tuple[int, int], _Kept]] = {}


def _kept(trial: Trial, kind: type[Job]) -> _Kept:
    """Return the scene that a trial shares with those of its numbers; the one before it is removed."""
    key = trial.on, kind.name, trial.without
    block = trial.seed, trial.number % REDRAWN // _TRIALS_OF_ONE
    if key not in _last or _last[key][0] != block:
        if key in _last:
            _last.pop(key)[1].held.close()
        dice = random.Random(f"{key}|{block}")
        _last[key] = block, _make_ready(trial, kind, dice)
    return _last[key][1]


def _make_ready(trial: Trial, kind: type[Job], dice: random.Random) -> _Kept:
    held = ExitStack()
    atexit.register(held.close)
    root, beside = held.enter_context(room()), held.enter_context(room())
    (root / _DRIVE).mkdir()
    image = beside / "image"
    with image.open("wb") as file:
        file.truncate(SIZE_MB << 20)
    with volume_in(trial.on, image, root / _DRIVE, new=True) as drive:
        scene = Scene(root, prepare(drive.path), dice, trial.without)
        job = kind(scene)
        job.make_ready()
        unmount(drive)
    shutil.copytree(root, beside / "kept/room", symlinks=True)
    shutil.copyfile(image, beside / "kept/image")
    return _Kept(job, trial.on, image, beside / "kept", held)
