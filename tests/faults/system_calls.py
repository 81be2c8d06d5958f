"""A run killed at a system call, and a system call that fails, in every job on every file system."""

from __future__ import annotations

import fcntl
import pickle
import random
import re
from pathlib import Path

from tests.faults.archive_jobs import FILINGS, FileDamaged
from tests.faults.jobs import CHECKS, SENDS, Job, SendNothing
from tests.faults.ready import ready
from tests.faults.scene import run_plainly
from tests.faults.traced import Call, Places, calls_of, run_traced, trace_all
from tests.faults.trials import Fault, NotMade, Trial, telling
from tests.support.volumes import KINDS

KILLED_AT = (
    "write",
    "fsync",
    "syncfs",
    "rename",
    "renameat",
    "unlink",
    "unlinkat",
    "openat",
    "close",
    "mkdirat",
    "pwrite64",
    "fdatasync",
    "ftruncate",
)
JOBS = (*SENDS, SendNothing, *CHECKS, *FILINGS, FileDamaged)
_EVERYWHERE = ("EIO", "EINTR", "ENODEV")
FAILURES = {
    "write": (*_EVERYWHERE, "ENOSPC", "EROFS", "lost"),
    "pwrite64": (*_EVERYWHERE, "ENOSPC", "EROFS"),
    "fdatasync": (*_EVERYWHERE, "ENOSPC", "EROFS"),
    "ftruncate": (*_EVERYWHERE, "EROFS"),
    "fsync": (*_EVERYWHERE, "ENOSPC", "EROFS"),
    "syncfs": (*_EVERYWHERE, "ENOSPC", "EROFS"),
    "renameat": (*_EVERYWHERE, "ENOSPC", "EROFS"),
    "rename": (*_EVERYWHERE, "ENOSPC", "EROFS"),
    "unlinkat": (*_EVERYWHERE, "EROFS"),
    "unlink": (*_EVERYWHERE, "EROFS"),
    "mkdirat": (*_EVERYWHERE, "ENOSPC", "EROFS"),
    "openat": (*_EVERYWHERE, "ENOSPC", "EROFS", "EMFILE"),
    "close": ("EIO", "EINTR", "ENOSPC"),
    "read": (*_EVERYWHERE, "empty"),
    "readv": (*_EVERYWHERE, "empty"),
    "pread64": _EVERYWHERE,
    "newfstatat": ("EIO", "ENODEV"),
}
_LASTING_ONCE_IN = 3  # one failure in so many is the first of a whole row

# Named by the process that makes it: no other run has a file of this name to be struck at.
_OF_ONE_RUN = re.compile(r"\.[0-9]+\.part$")

_seen: dict[tuple[str, str], list[Call]] = {}
_shared: list[Path] = []


def share_calls(folder: str) -> None:
    """Have the processes that make trials at once share what they find of jobs' calls, in a folder."""
    _shared.append(Path(folder))


def calls_in(trial: Trial, kind: type[Job]) -> list[Call]:
    """Return the calls that a job makes on its drive, its sources and its records when nothing goes wrong."""
    key = (trial.on, kind.name)
    if key not in _seen:
        _seen[key] = _calls_found_by_one(trial, kind) if _shared else _calls_found(trial, kind)
    return _seen[key]


def _calls_found_by_one(trial: Trial, kind: type[Job]) -> list[Call]:
    """Return the calls, from the folder where another process has found them; others wait for the first."""
    file = _shared[-1] / f"{trial.on} {kind.name}"
    with file.open("a+b") as kept:
        fcntl.flock(kept, fcntl.LOCK_EX)
        kept.seek(0)
        found = kept.read()
        if not found:
            found = pickle.dumps(_calls_found(trial, kind))
            kept.write(found)
    calls: list[Call] = pickle.loads(found)
    return calls


def _calls_found(trial: Trial, kind: type[Job]) -> list[Call]:
    with ready(trial, kind) as (job, drive):
        to = job.scene.root / "trace"
        run_plainly(trace_all(job.scene.command(*job.words()), to))
        return calls_of(to, Places(drive.path, job.scene.root))


def draw(
    trial: Trial, names: tuple[str, ...], jobs: tuple[type[Job], ...] = JOBS, place: str = "{"
) -> tuple[type[Job], Call]:
    """Draw a job, and a call of it that has one of these names; each name as likely as any other.

    The interpreter's calls on its own files are not among them: a Python that reads an empty module, say,
    is beyond what a program in Python can notice.
    """
    dice = trial.dice_for("moment")
    kind = choose(trial, jobs, dice)
    found = [c for c in calls_in(trial, kind) if c.name in names and c.path.startswith(place)]
    calls = [c for c in found if not _OF_ONE_RUN.search(c.path)]
    if not calls:
        raise NotMade
    name = dice.choice(sorted({call.name for call in calls}))
    return kind, dice.choice([call for call in calls if call.name == name])


def choose(trial: Trial, jobs: tuple[type[Job], ...], dice: random.Random) -> type[Job]:
    """Draw a job. Raises NotMade where the trial is of another one."""
    asked = [job for job in jobs if trial.job in ("", job.name)]
    if not asked:
        raise NotMade
    return dice.choice(asked)


def try_kill(trial: Trial) -> None:
    """Kill a run as it enters a system call."""
    kill_at(trial, *draw(trial, KILLED_AT))


def kill_at(trial: Trial, kind: type[Job], call: Call) -> None:
    """Kill a run of a job at one of its calls, and judge."""
    with ready(trial, kind) as (job, drive):
        places, trace = Places(drive.path, job.scene.root), job.scene.root / "trace"
        traced = run_traced(job.scene.command(*job.words()), trace, call, places, "signal=SIGKILL")
        if not traced.ran.killed:
            raise NotMade
        with telling(f"{kind.name}, {call.rule('signal=SIGKILL')} on {call.path}"):
            job.judge(traced.ran)
            job.judge_again()


def try_failure(trial: Trial) -> None:
    """Make a system call of a run fail, once or from then on."""
    fail_at(trial, *draw(trial, tuple(FAILURES)))


def fail_at(trial: Trial, kind: type[Job], call: Call) -> None:
    """Make a call of a run of a job fail in one of the ways that it can, and judge."""
    dice = trial.dice_for("failure")
    what = dice.choice(FAILURES[call.name])
    _fail(trial, kind, call, what, lasting=dice.randrange(_LASTING_ONCE_IN) == 0)


def try_false_end(trial: Trial) -> None:
    """Let a read of a source say that its end was reached, once or from then on."""
    kind, call = draw(trial, ("read",), SENDS, "{room}/imaging/computer/")
    _fail(trial, kind, call, "empty", lasting=trial.dice_for("failure").randrange(_LASTING_ONCE_IN) == 0)


def _fail(trial: Trial, kind: type[Job], call: Call, what: str, *, lasting: bool) -> None:
    lasting = lasting and what != "EINTR"  # Python begins such a call anew, for as long as signals come
    with ready(trial, kind) as (job, drive):
        places, trace = Places(drive.path, job.scene.root), job.scene.root / "trace"
        command = job.scene.command(*job.words())
        with telling(f"{kind.name}, {call.rule(_as_rule(what), lasting)} on {call.path}"):
            traced = run_traced(command, trace, call, places, _as_rule(what), lasting)
            if not traced.struck:
                raise NotMade
            job.judge(traced.ran)
            job.judge_again()


def _as_rule(what: str) -> str:
    """Say it to strace. A `lost` write is counted and never made; an `empty` read sees the end."""
    return {"lost": "retval=100", "empty": "retval=0"}.get(what, f"error={what}")


FAULTS = (
    Fault("false-end", "a read of a source ends before its end", ("ext4",), 50, try_false_end, 1),
    Fault("killed", "a run killed at a system call", KINDS, 1000, try_kill, 6),
    Fault(
        "call-fails",
        "a system call fails, or loses a write or ends a read early",
        KINDS,
        1000,
        try_failure,
        8,
    ),
)
