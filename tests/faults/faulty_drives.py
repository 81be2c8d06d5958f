"""A drive that answers with other bytes than it has, or not at all."""

from __future__ import annotations

import random
from pathlib import Path

from tests.faults.archive_jobs import FileFirst, FileMore
from tests.faults.jobs import Job, SendFirst, SendMore
from tests.faults.judge import Ran, require
from tests.faults.scene import Scene, prepare, room
from tests.faults.trials import Fault, NotMade, Trial, telling
from tests.support.faulty_drive import faulty

_SENDS = (SendFirst, SendMore)
_JOBS: tuple[type[Job], ...] = (*_SENDS, FileFirst, FileMore)
_COPIES = r"/data/.*"
_LISTS = ("/manifest-sha256", "entries.jsonl", "payload-xxh128", "bag-info", "READ ME")
_JOURNAL = r"journal"
_PARTS = r"/\d+\.part"
_TIME_LIMIT = ("--time-limit", "15s")


def try_wrong_bytes(trial: Trial) -> None:
    """Return back, or keep, a byte that is not what was written: once, a few times, or always."""
    dice = trial.dice
    call, where = dice.choice(
        [
            ("read", _COPIES),
            ("read", _COPIES),
            ("read", dice.choice(_LISTS)),
            ("read", _JOURNAL),
            ("write", _PARTS),
            ("write", dice.choice(_LISTS)),
            ("write", _JOURNAL),
        ]
    )
    what = dice.choice(("flip", "flip", "drop" if call == "write" else "short"))
    count = dice.choice((1, 1, 3, 9999))
    _try(trial, f"{call}|{where}|{_first(dice, where)}|{count}|{what}", dice.choice(_JOBS))


def _first(dice: random.Random, where: str) -> int:
    return dice.randrange(1, 20 if where in (_COPIES, _PARTS) else 4)


def try_hang(trial: Trial) -> None:
    """Let the drive hang in a write, a flush or a read; the run has a time limit."""
    dice = trial.dice
    call, where = dice.choice(
        [("write", _PARTS), ("fsync", _PARTS), ("read", _COPIES), ("fsync", dice.choice(_LISTS))]
    )
    _try(trial, f"{call}|{where}|{dice.randrange(1, 4)}|1|hang", dice.choice(_SENDS), _TIME_LIMIT)


def _try(trial: Trial, rule: str, kind: type[Job], more: tuple[str, ...] = ()) -> None:
    with room() as root:
        behind = root / "behind"
        behind.mkdir()
        scene = Scene(root, prepare(behind), trial.dice, trial.without)
        job = kind(scene)
        job.make_ready()
        ran, faults = _run_on_faulty(scene, job, rule, more)
        if not faults:
            raise NotMade
        with telling(f"{kind.name}, {rule}"):
            _require_told(ran, rule)
            job.judge(ran)
            job.judge_again()


def _run_on_faulty(scene: Scene, job: Job, rule: str, more: tuple[str, ...]) -> tuple[Ran, int]:
    """Run the job through the faulty file system; everything is judged by what lies behind it."""
    behind: Path = scene.drive
    with faulty(scene.root / "faulty", rule, behind=behind) as drive:
        scene.drive = drive.path
        ran = scene.run(*job.words(), *more)
        scene.drive = behind
        return ran, drive.faults


def _require_told(ran: Ran, rule: str) -> None:
    """A copy that read back wrong, and was mended, is told; a drive that hangs gets no exit 0."""
    _, where, _, _, what = rule.split("|")
    if ran.exit == 0:
        require(what != "hang", "exit 0 though the drive hung")
        told = {found["finding"] for found in ran.document["findings"]}
        if (where, what) == (_COPIES, "flip") or (where, what) == (_PARTS, "flip"):
            require(any("written again" in each for each in told), f"mended in silence: {sorted(told)}")


FAULTS = (
    Fault(
        "wrong-bytes", "wrong bytes read back or kept, once and always", ("fuse",), 200, try_wrong_bytes, 3
    ),
    Fault("hangs", "the device hangs in a write, a flush, a read", ("fuse",), 30, try_hang, 1),
)
