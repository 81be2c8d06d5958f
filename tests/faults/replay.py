"""Power cuts by recorded replay: a run's writes are recorded once, and cut off at many moments.

What was written before the last flush is on the medium; of what came after it each sector of 512 bytes
was kept or not, at random, as a device with a cache of its own may do. The dice of one trial fall as they
did the last time; what they fall on is a recording of its own, whose threads may have taken turns otherwise.
"""

from __future__ import annotations

import atexit
import errno
import itertools
import os
import random
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import cache, cached_property
from pathlib import Path

from jobs import Job, SendFirst, SendMore
from judge import MARK, RECEIPT, receipt_on, require, require_complete, require_ended, require_whole
from lost import Claims, Files, Found, Wrong, blamed_on_program, files_on, look
from recorder import Recorder, Recording, recorder
from scene import Scene, noise, prepare, room
from trials import Fault, NotMade, TornByFileSystem, Trial, telling, unmount
from volumes import Volume, volume_in

_JOBS: tuple[type[Job], ...] = (SendFirst, SendMore)
_ON = ("exfat", "ext4", "ntfs")
_CUTS_OF_ONE = 100  # then the run is recorded anew
_AT_THE_END_ONCE_IN = 4
_SENT_AGAIN_ONCE_IN = 10
_KEPT = (0.1, 0.5, 0.9)
_SIZE_MB = 20
_LEFT_ALONE_S = 1.0  # between the run's end and the unmounting
_REPAIR = {"exfat": ("fsck.exfat", "-y"), "ntfs": ("ntfsfix",), "ext4": ("e2fsck", "-fy")}
_MEMORY = Path("/dev/shm")


@dataclass(frozen=True)
class Taken:
    """A run that was recorded: when it began, ended, and left the drive to be unmounted; what it claimed."""

    root: Path
    kind: str
    scene: Scene
    recording: Recording
    begun: int
    ended: int
    left: int
    claims: Claims

    @cached_property
    def _first(self) -> tuple[int, bytearray]:
        moment = self.recording.flushed_before(self.begun)
        return moment, self.recording.image(moment)

    def at(self, moment: int) -> bytearray:
        """Give the device as it is with everything up to a moment on it."""
        start, image = self._first
        return self.recording.later(image, start, moment)

    @contextmanager
    def mounted(self, image: bytearray, *, repaired: bool = False) -> Iterator[Volume]:
        """Mount what is left of the drive where it was; `repaired` by the file system's own tool before."""
        with tempfile.NamedTemporaryFile(dir=_MEMORY if _MEMORY.is_dir() else self.root) as file:
            file.write(image)
            file.flush()
            if repaired:
                subprocess.run([*_REPAIR[self.kind], file.name], capture_output=True, check=False)
            with volume_in(self.kind, Path(file.name), self.scene.drive, new=False) as drive:
                yield drive

    def look_at(self, image: bytearray, *, final: bool, repaired: bool = False) -> Found:
        """Mount an image and hold it against the claims."""
        with ExitStack() as held:
            try:
                drive = held.enter_context(self.mounted(image, repaired=repaired))
            except RuntimeError as error:
                told = f"cannot be mounted: {error}"
                lost = (Wrong(path, sha256, told) for path, sha256 in self.claims.before.items())
                return Found({}, tuple(lost))
            found = look(drive.path, self.claims, final=final)
            unmount(drive)
            return found


@dataclass(frozen=True)
class Cut:
    """A power cut: its moment, the share that is kept of what was not flushed, whether the run had ended."""

    moment: int
    keep: float
    final: bool

    def __str__(self) -> str:
        when = "after the run's end" if self.final else "in the run"
        return f"cut at write {self.moment}, {when}, {self.keep:.0%} of what was not flushed is kept"


# Recording


def taken(trial: Trial) -> Taken:
    """Give the recording that a trial's cut is made in."""
    jobs = [job for job in _JOBS if trial.job in ("", job.name)]
    if not jobs:
        raise NotMade
    job = trial.dice_for("job").choice(jobs)
    return _take(trial.on, job, trial.number // _CUTS_OF_ONE, trial.without)


@cache
def _take(on: str, kind: type[Job], block: int, without: str) -> Taken:
    """Record a run; a night that is proven before it lies on the drive, too."""
    held = ExitStack()
    atexit.register(held.close)
    root = held.enter_context(room())
    (root / "drive").mkdir()
    with recorder(root / "recorded", on, root / "drive", _SIZE_MB) as recorded:
        scene = Scene(root, prepare(root / "drive"), random.Random(f"{on}|{kind.name}|{block}"), without)
        _send_a_night_before(scene)
        kind_of_job = kind(scene)
        kind_of_job.make_ready()
        return _record(root, recorded, scene, kind_of_job)


def _send_a_night_before(scene: Scene) -> None:
    for number in range(3):
        name = f"M 51/L/early_{number:03}.fits"
        scene.computer.frame(name, begun="2026-03-10T22:00:00", data=noise(60_000, 40 + number))
    ran = scene.send()
    require_ended(ran, "the night before", 0)


def _record(root: Path, recorded: Recorder, scene: Scene, job: Job) -> Taken:
    """Record the job; nothing is read of the drive beside it, for a driver may write when it was read."""
    unmount(recorded.drive)
    recorded.drive.mount_again()
    before, receipt = files_on(scene.drive), receipt_on(scene.drive)
    shutil.copytree(scene.computer.records, root / "records before")
    begun = recorded.position()
    ran = scene.run(*job.words())
    ended = recorded.position()
    require_ended(ran, "without a fault it", 0)
    shutil.copytree(scene.computer.records, root / "records after")
    _have_the_system_write(recorded.drive)
    left = recorded.position()
    unmount(recorded.drive)
    recording, moments = recorded.read(begun, ended, left)
    nothing = Claims(scene.known, {}, {}, None, None)
    run = Taken(root, recorded.drive.kind, scene, recording, *moments, nothing)
    with run.mounted(recording.image(len(recording.acts))) as drive:
        claims = _claims(scene, before, files_on(drive.path), receipt, receipt_on(drive.path))
        unmount(drive)
    return replace(run, claims=claims)


def _have_the_system_write(drive: Volume) -> None:
    """Have what a driver has left in the device's cache written, as the system does by and by; no flush."""
    assert drive.device is not None
    descriptor = os.open(drive.device, os.O_RDONLY)
    try:
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        time.sleep(_LEFT_ALONE_S)
    finally:
        os.close(descriptor)


def _claims(
    scene: Scene, before: Files, after: Files, receipt_before: bytes | None, receipt_after: bytes | None
) -> Claims:
    """Give what was proven before the run: payload, mark, and all of a bag that the run leaves alone."""
    changed = (path for path in before.keys() | after.keys() if before.get(path) != after.get(path))
    touched = {path.partition("/")[0] for path in changed}
    ours = {path: sha256 for path, sha256 in before.items() if "/data/" in path or path == MARK}
    alone = {path: sha256 for path, sha256 in before.items() if path.partition("/")[0] not in touched}
    proven = {path: sha256 for path, sha256 in (ours | alone).items() if path != RECEIPT}
    same = {path: sha256 for path, sha256 in proven.items() if after.get(path) == sha256}
    moving = {path: frozenset((proven[path], after[path])) for path in proven.keys() - same.keys()}
    return Claims(scene.known, same, moving, receipt_before, receipt_after)


# Cutting


def draw_cut(trial: Trial, run: Taken) -> Cut:
    """Draw a moment: after the run's end, or in a stretch between two flushes of it, each as likely."""
    dice = trial.dice_for("cut")
    keep = dice.choice(_KEPT)
    end = len(run.recording.acts)
    if dice.randrange(_AT_THE_END_ONCE_IN) == 0:
        last = dice.choice((run.left, end))
        return Cut(dice.randint(run.ended, last), keep, final=True)
    flushes = [each for each in run.recording.flushes if run.begun < each < run.ended]
    marks = itertools.pairwise([run.begun, *flushes, run.ended])
    stretches = [(start, end) for start, end in marks if end - start > 1]
    start, end = dice.choice(stretches)
    return Cut(dice.randrange(start + 1, end), keep, final=False)


def try_replayed(trial: Trial) -> None:
    """Cut the power once; now and then go on with what is left."""
    run = taken(trial)
    cut = draw_cut(trial, run)
    with telling(f"{run.scene.drive.name}, {cut}"):
        flushed = run.at(run.recording.flushed_before(cut.moment))
        left = run.recording.cut(flushed, cut.moment, cut.keep, trial.dice_for("sectors"))
        found = run.look_at(left, final=cut.final)
        if found.wrong:
            _say_whose_doing(run, cut, left, found)
        if trial.dice_for("again").randrange(_SENT_AGAIN_ONCE_IN) == 0:
            _send_again(trial, run, cut, left)


def _say_whose_doing(run: Taken, cut: Cut, left: bytearray, found: Found) -> None:
    """Raise Broken, or TornByFileSystem where no program could have helped it.

    A journal leaves no excuse: ext4 may need its own tool, for its superblock is written beside the journal
    when it is unmounted, and all has to hold after that. Nor is there one between the run's end and the
    unmounting: a run that says that the drive may be pulled can have flushed all there is.
    """
    require(not cut.final or cut.moment > run.left, str(found))
    around = run.recording.flushes_around(cut.moment)
    blamed = blamed_on_program(found, *(run.look_at(run.at(each), final=cut.final) for each in around))
    require(not blamed, f"{found} [{blamed}]")
    mended = not run.look_at(left, final=cut.final, repaired=True).wrong
    require(mended or run.kind != "ext4", f"{found} [and after a repair]")
    raise TornByFileSystem(f"{'mended by a repair' if mended else 'not mended by a repair'}: {found}")


def _send_again(trial: Trial, run: Taken, cut: Cut, left: bytearray) -> None:
    """Invariant 5, with the computer's records from before the run or from its end.

    Where a file system that nobody has repaired fails the run, it is repaired and sent to once more. Where
    its driver still gives errors, and none at the flushes before and after, the file system tore itself.
    """
    records = run.root / trial.dice_for("records").choice(("records before", "records after"))
    told = _told_again(run, records, left) and _told_again(run, records, left, repaired=True)
    if told and run.kind != "ext4" and os.strerror(errno.EIO) in told:
        others = [
            _told_again(run, records, run.at(each)) for each in run.recording.flushes_around(cut.moment)
        ]
        require(not any(others), f"{told} [at the flushes before and after, too: {others}]")
        raise TornByFileSystem(told)
    require(not told, told)


def _told_again(run: Taken, records: Path, image: bytearray, *, repaired: bool = False) -> str:
    """Send again to what is left; say how it failed. Raises Broken where it says that it did not."""
    shutil.rmtree(run.scene.computer.records)
    shutil.copytree(records, run.scene.computer.records)
    try:
        with run.mounted(image, repaired=repaired) as drive:
            return _told_by_sending(run, drive)
    except RuntimeError as error:
        return f"it cannot be mounted: {os.strerror(errno.EIO)} ({error})"


def _told_by_sending(run: Taken, drive: Volume) -> str:
    try:
        again = run.scene.send()
        if again.exit != 0:
            return f"sent again, it ended with {again.exit}: {again.out[-600:]}{again.err[-300:]}"
        require_complete(drive.path, run.scene.known.now)
        require_whole(drive.path, run.scene.known)
    finally:
        unmount(drive)
    return ""


FAULTS = (
    Fault("replayed", "power cut, each sector that was not flushed kept or not", _ON, 2500, try_replayed, 3),
)
