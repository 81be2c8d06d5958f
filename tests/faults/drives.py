"""What happens to a drive while a run works on it: pulled, power cut, filled, unmounted, changed."""

from __future__ import annotations

import os
import shutil
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.faults.archive_jobs import FILINGS, FileMore
from tests.faults.jobs import SENDS, CheckGood, Job
from tests.faults.judge import (
    MARK,
    Broken,
    Ran,
    fingerprint,
    require,
    require_same,
)
from tests.faults.scene import Scene
from tests.faults.system_calls import calls_in, choose, draw
from tests.faults.traced import Call, Places, Traced, run_paused
from tests.faults.trials import Fault, NotMade, Trial, drive_scene, telling, unmount
from tests.support.volumes import KINDS, Volume

_MOMENTS = ("write", "fsync", "syncfs", "renameat", "openat", "readv", "read", "unlinkat", "close", "mkdirat")
_WRITING = ("write", "fsync", "syncfs", "renameat", "mkdirat")
_BRINGING = (*SENDS, *FILINGS)
_KILLED = Ran(-signal.SIGKILL, "", "", killed=True)
_MOUNT_TRIES = 50


@contextmanager
def at_a_moment(
    trial: Trial, jobs: tuple[type[Job], ...], names: tuple[str, ...] = _MOMENTS
) -> Iterator[tuple[Scene, Volume, Job, Call]]:
    """Prepare a job up to the moment before it runs, and draw one of its calls on the drive."""
    kind, call = draw(trial, names, jobs, "{drive}")
    with drive_scene(trial) as (scene, drive):
        job = kind(scene)
        job.make_ready()
        with telling(f"{kind.name}, at {call.name} {call.number} on {call.path}"):
            yield scene, drive, job, call


def pause(scene: Scene, job: Job, call: Call, act: Callable[[int], None]) -> Traced:
    """Run the job, paused at the call for `act`. Raises NotMade where it never came there."""
    acted: list[int] = []

    def act_once(process: int) -> None:
        acted.append(process)
        act(process)

    places = Places(scene.drive, scene.root)
    traced = run_paused(scene.command(*job.words()), scene.root / "trace", call, places, act_once)
    if not acted:
        raise NotMade
    return traced


def mount_again(drive: Volume) -> None:
    """Mount it where it was, as soon as the driver of the mount before has let go of the device."""
    for attempt in range(_MOUNT_TRIES):
        try:
            drive.mount_again()
            break
        except RuntimeError:
            if attempt == _MOUNT_TRIES - 1:
                raise
            time.sleep(0.1)


# Pulled


def try_pull(trial: Trial) -> None:
    """Pull the drive under any job."""
    pull_drive(trial, (*_BRINGING, CheckGood))


def pull_drive(trial: Trial, jobs: tuple[type[Job], ...]) -> None:
    """Pull the drive: its driver is killed, and every call fails from then on."""
    with at_a_moment(trial, jobs) as (scene, drive, job, call):
        traced = pause(scene, job, call, lambda _: _kill_driver(drive))
        drive.pull()
        mount_again(drive)
        job.judge(traced.ran)
        job.judge_again()


def _kill_driver(drive: Volume) -> None:
    server = drive.server()
    assert server is not None
    os.kill(server, signal.SIGKILL)


# Power cut


def try_power_cut(trial: Trial) -> None:
    """Cut the power in any job; one cut in six comes at the end."""
    if trial.dice_for("cut").randrange(6) == 0:
        _cut_after_the_end(trial)
    else:
        cut_power(trial, _BRINGING)


def cut_power(trial: Trial, jobs: tuple[type[Job], ...]) -> None:
    """Cut the power: what has reached the device is all there is."""
    with at_a_moment(trial, jobs) as (scene, drive, job, call):

        def cut(process: int) -> None:
            with drive.after_a_power_cut() as left:
                os.kill(process, signal.SIGKILL)
                _judge_elsewhere(scene, left, job)

        pause(scene, job, call, cut)


def _judge_elsewhere(scene: Scene, left: Volume, job: Job, *, all_of_it: bool = False) -> None:
    here, scene.drive = scene.drive, left.path
    try:
        if all_of_it:
            job.require_all()
        job.judge(_KILLED)
        job.judge_again()
    finally:
        scene.drive = here


def _cut_after_the_end(trial: Trial) -> None:
    with drive_scene(trial) as (scene, drive):
        job = choose(trial, _BRINGING, trial.dice)(scene)
        job.make_ready()
        ran = scene.run(*job.words())
        with drive.after_a_power_cut() as left:
            require(ran.exit == 0, f"without a fault it ended with {ran.exit}")
            _judge_elsewhere(scene, left, job, all_of_it=job.is_from_medium(ran))


# Filled


def try_fill(trial: Trial) -> None:
    """Fill the drive in any job."""
    fill_drive(trial, _BRINGING)


def fill_drive(trial: Trial, jobs: tuple[type[Job], ...]) -> None:
    """Leave less room than the night needs, from none to enough; before the run, or in the middle of it."""
    dice = trial.dice_for("fill")
    mid_night, level = dice.randrange(2), dice.random() * 1.3
    with at_a_moment(trial, jobs) as (scene, drive, job, call):
        filler = drive.path / "filler.bin"

        def fill(_: int) -> None:
            needed = job.needs_bytes if mid_night else job.room_bytes
            _fill(filler, drive.path, int(needed * level))

        if mid_night:
            ran = pause(scene, job, call, fill).ran
        else:
            fill(0)
            ran = scene.run(*job.words())
        job.judge(ran)
        filler.unlink()
        job.judge_again()


def _fill(filler: Path, drive: Path, leave_bytes: int) -> None:
    facts = os.statvfs(drive)
    size = facts.f_bavail * facts.f_frsize - leave_bytes
    with filler.open("wb") as file:
        file.truncate(max(size, 0))


# Unmounted, with a folder of the same name beneath


def try_lazy_unmount(trial: Trial) -> None:
    """Unmount the drive under the run; a folder of the same name lies beneath.

    In one half of the trials that folder looks like the prepared drive itself, down to its mark; but not
    before the run has found the drive: it would take it for that. An archive is one that the computer
    knows: where none was, an empty folder is as good as any other.
    """
    with at_a_moment(trial, (*SENDS, FileMore)) as (scene, drive, job, call):
        twin = trial.number % 2 == 1 and _has_found_it(trial, job, call)
        beneath = {}

        def unmount_under_it(_: int) -> None:
            drive.pull()
            if twin:
                job.plant_twin()
            beneath.update(fingerprint(drive.path))

        traced = pause(scene, job, call, unmount_under_it)
        there = fingerprint(drive.path)
        _empty(drive.path)
        mount_again(drive)
        require_same(beneath, there, "the system disk")
        job.judge(traced.ran)
        job.judge_again()


def _has_found_it(trial: Trial, job: Job, call: Call) -> bool:
    """Return whether the run has read the drive's mark, or is at work on the archive, by a call of it."""
    if isinstance(job, FileMore):
        return call.name in _WRITING
    calls = calls_in(trial, type(job))
    read = next(at for at, each in enumerate(calls) if each.name == "read" and each.path.endswith(MARK))
    return read < calls.index(call)


def _empty(folder: Path) -> None:
    assert not folder.is_mount()
    for path in folder.iterdir():
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink()


# Changed behind the cache


def try_cache_trap(trial: Trial) -> None:
    """Change a frame on the medium once it was flushed, before it is read back: only memory is right then."""
    dice = trial.dice
    kind = choose(trial, _BRINGING, dice)
    call = dice.choice(_before_reading_back(calls_in(trial, kind)))
    with drive_scene(trial) as (scene, drive):
        job = kind(scene)
        job.make_ready()
        frame = dice.choice(_frames_to_come(scene, drive.path))
        content = frame.read_bytes()
        at = dice.randrange(9_000, len(content) - 9_000)

        def change(_: int) -> None:
            # Fails where the content is not on the medium: it has to be before a file gets its name.
            drive.flip(content[at : at + 64])

        traced = pause(scene, job, call, change)
        unmount(drive)
        drive.mount_again()
        _judge_trap(job, traced.ran, scene)


def _before_reading_back(calls: list[Call]) -> list[Call]:
    """Return the first and the last naming of a file, and the opening of the first copy to read it back.

    Not the last flush: another thread may come to as many flushes before anything is copied.
    """
    first = next((at for at, call in enumerate(calls) if _opens_a_copy(call)), None)
    if first is None:
        raise NotMade
    namings = [call for call in calls[:first] if call.name == "renameat" and "/data/" in call.line]
    return [calls[first], *namings[:1], *namings[-1:]]


def _opens_a_copy(call: Call) -> bool:
    copy = call.path.startswith("{drive}/") and "/data/" in call.line
    return call.name == "openat" and copy and "O_RDONLY|O_NONBLOCK" in call.line


def _frames_to_come(scene: Scene, drive: Path) -> list[Path]:
    there = {path.name for path in drive.glob("*/data/**/light*")}
    return sorted(path for path in scene.computer.frames.rglob("light*") if path.name not in there)


def _judge_trap(job: Job, ran: Ran, scene: Scene) -> None:
    """It was found, or it was not called proven from the medium."""
    from_medium = job.is_from_medium(ran)
    try:
        job.require_lists_true()
    except Broken:
        require(not from_medium, "called proven from the medium, which had another content")
        checked = scene.run("check", str(scene.drive), "--json")
        require(checked.exit == 1, f"a check of the changed drive ended with {checked.exit}")
    else:
        told = {found["finding"] for found in ran.document["findings"]}
        require(
            ran.exit != 0 or any("written again" in each for each in told),
            f"mended in silence: {sorted(told)}",
        )
        job.judge(ran)
        job.judge_again()


# Tampered with


def try_planted(trial: Trial) -> None:
    """Put links to a file elsewhere where the run is about to make its own files."""
    kind = choose(trial, _BRINGING, trial.dice)
    first = next(c for c in calls_in(trial, kind) if _makes_a_part(c))
    with drive_scene(trial) as (scene, drive):
        job = kind(scene)
        job.make_ready()
        victim = scene.root / "elsewhere"
        victim.mkdir()
        (victim / "file").write_bytes(b"somebody else's\n")
        before = fingerprint(victim)

        def plant(_: int) -> None:
            for incoming in _folders_of_parts(drive.path):
                for number in range(1, 60):
                    if not os.path.lexists(incoming / f"{number}.part"):
                        (incoming / f"{number}.part").symlink_to(victim / "file")

        traced = pause(scene, job, first, plant)
        require_same(before, fingerprint(victim), "a file elsewhere")
        job.judge(traced.ran)
        job.judge_again()
        require_same(before, fingerprint(victim), "a file elsewhere")


def _folders_of_parts(drive: Path) -> list[Path]:
    """Return where files come in: each bag of a drive has a place of its own, an archive one for all."""
    return [*drive.glob("nightferry-incoming")] or [*drive.glob("*/nightferry/incoming")]


def _makes_a_part(call: Call) -> bool:
    return call.path.startswith("{drive}/") and call.path.endswith("incoming") and "O_CREAT" in call.line


FAULTS = (
    Fault(
        "pulled", "the drive pulled at a random moment, plugged in again", ("exfat", "ntfs"), 100, try_pull, 2
    ),
    Fault("power-cut", "power cut at a random moment", ("exfat", "fat32", "ext4"), 100, try_power_cut, 3),
    Fault("filled", "the drive filled to every level", ("exfat",), 50, try_fill, 1),
    Fault("unmounted", "unmounted lazily, a folder beneath", ("ext4", "exfat"), 50, try_lazy_unmount, 2),
    Fault("cache-trap", "the medium changed behind the cache", KINDS, 100, try_cache_trap, 4),
    Fault("planted", "links planted where a run makes its files", ("ext4",), 50, try_planted, 1),
)
