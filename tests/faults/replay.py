"""Power cuts by recorded replay: a run's writes are recorded once, and cut off at many moments.

What was written before the last flush is on the medium; of what came after it each sector of 512 bytes
was kept or not, at random, as a device with a cache of its own may do. The dice of one trial fall as they
did the last time; what they fall on is a recording of its own, whose threads may have taken turns otherwise.
"""

from __future__ import annotations

import errno
import itertools
import os
from dataclasses import dataclass
from pathlib import Path

from tests.faults.archive_jobs import FileFirst
from tests.faults.claims import Found
from tests.faults.clear_jobs import ClearDrive
from tests.faults.jobs import CheckGood, Job
from tests.faults.judge import Ran, require
from tests.faults.lost import blamed_on_program
from tests.faults.several_archives import TWO_ARCHIVES, FileTwo, Heal
from tests.faults.taken import JOBS, Taken, put_back_state, taken
from tests.faults.trials import Fault, TornByFileSystem, Trial, telling, unmount
from tests.support.volumes import Volume

_ON = ("exfat", "ext4", "ntfs")
_AT_THE_END_ONCE_IN = 4
_GONE_ON_ONCE_IN = 10
_KEPT = (0.1, 0.5, 0.9)
# What the program says of an error that a driver gives it: a name that is listed, and is not there.
_A_DRIVER_S_ERROR = (os.strerror(errno.EIO), "The drive failed (", "The archive failed (")


@dataclass(frozen=True)
class Cut:
    """A power cut: its moment, the share that is kept of what was not flushed.

    `final` where the run had claimed all, `ended` where it had ended and the drive was not yet unmounted.
    """

    moment: int
    keep: float
    final: bool
    ended: bool

    def __str__(self) -> str:
        when = "after the run's claim" if self.final else "in the run"
        return f"cut at write {self.moment}, {when}, {self.keep:.0%} of what was not flushed is kept"


def draw_cut(trial: Trial, run: Taken) -> Cut:
    """Draw a moment: after the run's end, or in a stretch between two flushes of it, each as likely."""
    dice = trial.dice_for("cut")
    keep = dice.choice(_KEPT)
    end = len(run.recording.acts)
    stretches = _stretches(run)
    if dice.randrange(_AT_THE_END_ONCE_IN) == 0 or not stretches:
        moment = dice.randint(run.ended, dice.choice((run.left, end)))
    else:
        start, end = dice.choice(stretches)
        moment = dice.randrange(start + 1, end)
    return Cut(moment, keep, final=moment >= run.claimed, ended=run.ended <= moment <= run.left)


def _stretches(run: Taken) -> list[tuple[int, int]]:
    flushes = [each for each in run.recording.flushes if run.begun < each < run.ended]
    marks = itertools.pairwise([run.begun, *flushes, run.ended])
    return [(start, end) for start, end in marks if end - start > 1]


def try_replayed(trial: Trial, jobs: tuple[type[Job], ...] = JOBS) -> None:
    """Cut the power once; now and then go on with what is left."""
    run = taken(trial, jobs)
    cut = draw_cut(trial, run)
    with telling(f"{run.job.name}, {cut}"):
        flushed = run.at(run.recording.flushed_before(cut.moment))
        left = run.recording.cut(flushed, cut.moment, cut.keep, trial.dice_for("sectors"))
        found = run.look_at(left, final=cut.final)
        if found.wrong:
            _say_whose_doing(run, cut, left, found)
        if trial.dice_for("again").randrange(_GONE_ON_ONCE_IN) == 0:
            _go_on(trial, run, cut, left)


def _say_whose_doing(run: Taken, cut: Cut, left: bytearray, found: Found) -> None:
    """Raise Broken, or TornByFileSystem where no program could have helped it.

    A journal leaves no excuse: ext4 may need its own tool, for its superblock is written beside the journal
    when it is unmounted, and all has to hold after that. Nor is there one between the run's end and the
    unmounting: a run that says that the drive may be pulled can have flushed all there is.
    """
    require(not cut.ended, str(found))
    around = run.recording.flushes_around(cut.moment)
    blamed = blamed_on_program(found, *(run.look_at(run.at(each), final=cut.final) for each in around))
    require(not blamed, f"{found} [{blamed}]")
    mended = not run.look_at(left, final=cut.final, repaired=True).wrong
    require(mended or run.kind != "ext4", f"{found} [and after a repair]")
    raise TornByFileSystem(f"{'mended by a repair' if mended else 'not mended by a repair'}: {found}")


def _go_on(trial: Trial, run: Taken, cut: Cut, left: bytearray) -> None:
    """Invariant 5, with what lies beside the drive as before the run, or as at its end.

    Where a file system that nobody has repaired fails the run, it is repaired and gone on with once more.
    Where its driver still gives errors, and none at the flushes before and after, it tore itself.
    """
    state = run.root / trial.dice_for("records").choice(_states_beside(run, cut))
    told = _told_again(run, state, left) and _told_again(run, state, left, repaired=True)
    if run.kind != "ext4" and any(words in told for words in _A_DRIVER_S_ERROR):
        others = [_told_again(run, state, run.at(each)) for each in run.recording.flushes_around(cut.moment)]
        require(not any(others), f"{told} [at the flushes before and after, too: {others}]")
        raise TornByFileSystem(told)
    require(not told, told)


def _states_beside(run: Taken, cut: Cut) -> tuple[str, ...]:
    """Return which states of what lies beside the drive there may be when its power is cut."""
    if isinstance(run.job, ClearDrive):
        return ("after",)  # the ledger was flushed before anything on the drive was touched
    whole = cut.final or not isinstance(run.job, FileFirst | FileTwo) or isinstance(run.job, Heal)
    return ("before", "after") if whole else ("before",)


def _told_again(run: Taken, state: Path, image: bytearray, *, repaired: bool = False) -> str:
    """Go on with what is left; say how it failed. Raises Broken where it says that it did not."""
    put_back_state(run.job, state)
    try:
        with run.mounted(image, repaired=repaired) as drive:
            return _told_by_going_on(run.job, drive)
    except RuntimeError as error:
        return f"it cannot be mounted: {os.strerror(errno.EIO)} ({error})"


def _told_by_going_on(job: Job, drive: Volume) -> str:
    try:
        again = _run_again(job)
        if again.exit != 0:
            return f"run again, it ended with {again.exit}: {again.out[-600:]}{again.err[-300:]}"
        job.require_all()
    finally:
        unmount(drive)
    return ""


def _run_again(job: Job) -> Ran:
    """Run it again. What a check can only find, the next send mends."""
    return job.scene.send() if isinstance(job, CheckGood) else job.scene.run(*job.words())


def try_replayed_two(trial: Trial) -> None:
    """Cut the power of the first archive's disk while it is filed into beside another, or healed."""
    try_replayed(trial, TWO_ARCHIVES)


FAULTS = (
    Fault("replayed", "power cut, each sector that was not flushed kept or not", _ON, 2500, try_replayed, 3),
    Fault(
        "two-replayed",
        "power cut in `file` into two archives, and in `heal`, each sector that was not flushed kept or not",
        _ON,
        200,
        try_replayed_two,
        1,
    ),
)
