"""Several runs at one archive at the same time, of one computer or of two; and locks that somebody has."""

from __future__ import annotations

import fcntl
import os
import random
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults.archive_jobs import FILINGS, Desk, FileFirst, FileMore, new_stick, send_to
from tests.faults.archive_judge import (
    MARK,
    delivered,
    require_answered,
    require_archive_complete,
    require_archive_true,
    require_archive_whole,
    require_drive_kept,
    require_file_truth,
    require_lights_shown,
    require_words_true,
    words_on,
)
from tests.faults.at_once import another_computer, ended, started
from tests.faults.drives import pause
from tests.faults.jobs import Job
from tests.faults.judge import MARK as DRIVE_MARK
from tests.faults.judge import Ran, fingerprint, require, require_ended, require_same
from tests.faults.scene import Scene, noise
from tests.faults.system_calls import calls_in, choose
from tests.faults.traced import Call
from tests.faults.trials import Fault, NotMade, Trial, drive_scene, telling

_BUSY = 5
_WRITING = ("write", "fsync", "syncfs", "renameat", "mkdirat", "pwrite64", "fdatasync")
_ON = ("exfat", "ext4")


@dataclass
class _Party:
    """Who files at once: computers with archives' settings, and drives, each with a session of its own."""

    scene: Scene
    desks: list[Desk]
    sticks: list[Path]
    scenes: list[Scene]
    words: list[dict[Path, bytes]] = field(default_factory=list)

    def start(self, number: int) -> subprocess.Popen[bytes]:
        words = self.desks[number % len(self.desks)].file_words(self.stick_of(number))
        return started(self.scene.command(*words))

    def stick_of(self, number: int) -> Path:
        return self.sticks[number % len(self.sticks)]

    @property
    def ever(self) -> set[str]:
        return set().union(*(scene.known.ever for scene in self.scenes))


def try_filing_at_once(trial: Trial) -> None:
    """Start two or four runs at once; one may be killed, and a send to one of the drives be at work."""
    dice = trial.dice
    count, drives, computers = dice.choice((2, 4)), dice.choice((1, 2)), dice.choice((1, 2))
    killed, sending, begun = dice.randrange(3) == 0, dice.randrange(2) == 0, dice.randrange(2) == 0
    told = f"{count} runs, {drives} drives, {computers} computers, killed {killed}, sending {sending}"
    with drive_scene(trial) as (scene, _), telling(f"{told}, begun {begun}"):
        party = _party(scene, drives, computers)
        if begun:
            require_ended(ended(party.start(0)), "the first filing", 0)
            party.scenes[0].go_on_with_session()
            if not sending:
                send_to(party.scenes[0], party.sticks[0])
        before = [fingerprint(stick) for stick in party.sticks]
        party.words = [words_on(stick) for stick in party.sticks]
        runs = [party.start(number) for number in range(count)]
        sent = started(_send_command(party)) if sending else None
        if killed:
            time.sleep(dice.random() * 1.2)
            runs[0].send_signal(signal.SIGKILL)
        rans = [ended(run) for run in runs]
        if sent is not None:
            require_ended(ended(sent), "the send beside", 0, _BUSY)
            before = before[1:]
        for scene_of in party.scenes:
            scene_of.require_sources_untouched()
        for was, stick in zip(reversed(before), reversed(party.sticks), strict=False):
            require_drive_kept(was, fingerprint(stick), stick)
        _judge(party, rans, sending=sending)
        _judge_again(party)


def _party(scene: Scene, drives: int, computers: int) -> _Party:
    (scene.drive / DRIVE_MARK).unlink(missing_ok=True)
    scene.begin_session()
    scenes = [scene, *(_with_own_logs(another_computer(scene)) for _ in range(drives - 1))]
    sticks = [new_stick(scene, f"stick {number}") for number in range(drives)]
    for each, stick in zip(scenes, sticks, strict=True):
        send_to(each, stick)
    return _Party(scene, [Desk(scene, f"desk {number}") for number in range(computers)], sticks, scenes)


def _with_own_logs(scene: Scene) -> Scene:
    """Let a computer's logs be no beginnings of another's: the archive takes those for one log that grew."""
    scene.computer.log("mount.log", noise(41_000, 171))
    scene.computer.log("guiding notes.txt", b"another computer's\n")
    scene.look()
    return scene


def _send_command(party: _Party) -> list[str]:
    scene = party.scenes[0]
    config = ["--config", str(scene.computer.file)]
    return scene.command("send", "--drive", party.sticks[0], "--json", *config)


def _judge(party: _Party, rans: list[Ran], *, sending: bool) -> None:
    """Check what each run claims; a drive that is sent to meanwhile has changed since a run read it."""
    archive = party.scene.drive
    require_archive_whole(archive, party.ever)
    true = require_archive_true(archive)
    for number, ran in enumerate(rans):
        if ran.killed:
            continue
        sent_to = sending and party.stick_of(number) == party.sticks[0]
        require_ended(ran, "a run", *((0, 1) if sent_to else (0,)))
        if not sent_to:
            brought, words = delivered(party.stick_of(number)), party.words[number % len(party.sticks)]
            require_file_truth(ran, archive, brought, words)
    for stick, words in zip(party.sticks, party.words, strict=True):
        require_words_true(stick, archive, true, words)


def _judge_again(party: _Party) -> None:
    """File each drive once more, what was to be sent sent: everything is there, and each drive knows it."""
    send_to(party.scenes[0], party.sticks[0])
    for number in range(len(party.sticks)):
        require_ended(ended(party.start(number)), "filed again, it", 0)
    archive = party.scene.drive
    brought = [delivered(stick) for stick in party.sticks]
    require_archive_complete(archive, *brought)
    require_archive_whole(archive, party.ever)
    for stick in party.sticks:
        require_answered(stick, archive, require_archive_true(archive))
    require_lights_shown(party.desks[0].frames(), *brought)


# Locks


def try_lock(trial: Trial) -> None:
    """File while another run has the archive: one that hangs, one that dies, one whose beginning is left."""
    dice = trial.dice_for("lock")
    (_try_hanging, _try_hanging, _try_held, _try_half_begun)[dice.randrange(4)](trial)


def _try_hanging(trial: Trial) -> None:
    """Stop a run somewhere; another computer's run does not get in, and does once the first is dead."""
    dice = trial.dice_for("moment")
    kind = choose(trial, FILINGS, dice)
    call = dice.choice(_while_holding(calls_in(trial, kind)))
    killed = dice.randrange(2) == 0
    with drive_scene(trial) as (scene, _):
        job = _ready(kind, scene)
        other = Desk(scene, "other desk")

        def knock(process: int) -> None:
            _require_locked_out(scene, other, job.stick)
            if killed:
                os.kill(process, signal.SIGKILL)

        with telling(f"{kind.name} stopped{' and killed' if killed else ''} at {call.name} on {call.path}"):
            traced = pause(scene, job, call, knock)
            job.judge(traced.ran)
            job.desk = other
            job.judge_again()


def _ready(kind: type[Job], scene: Scene) -> FileFirst:
    job = kind(scene)
    assert isinstance(job, FileFirst)
    job.make_ready()
    return job


def _while_holding(calls: list[Call]) -> list[Call]:
    """Return the calls between the first and the last on parts of files: the run has the archive then.

    Each thread counts its own calls, so that a thread before these may stop at the same count.
    """
    parts = [at for at, call in enumerate(calls) if call.path.endswith("nightferry-incoming")]
    before = {(call.name, call.path, call.number) for call in calls[: parts[0]]}
    between = [call for call in calls[parts[0] : parts[-1]] if call.name in _WRITING]
    between = [call for call in between if (call.name, call.path, call.number) not in before]
    if not between:
        raise NotMade
    return [call for call in between if call.path.startswith("{drive}")]


def _require_locked_out(scene: Scene, other: Desk, stick: Path) -> None:
    before = fingerprint(scene.drive, stick)
    ran = scene.run(*other.file_words(stick, "--wait", "1s"))
    require_ended(ran, "a run beside one that has the archive", _BUSY)
    require(ran.document["exit"] == _BUSY and ran.document["message"], "it does not say why")
    require((ran.document["filed"], ran.document["already_there"]) == (0, 0), "it counts files")
    require_same(before, fingerprint(scene.drive, stick), "the archive, or the drive,")


def _try_held(trial: Trial) -> None:
    """Hold the lock as a run on another computer does, which a share's server or this system knows of."""
    with drive_scene(trial) as (scene, _):
        job = _ready(FileMore, scene)
        with telling("the lock held by another"):
            with _held(scene.drive / MARK):
                _require_locked_out(scene, job.desk, job.stick)
                waiting = started(scene.command(*job.words()))
                time.sleep(trial.dice.random())
                require(waiting.poll() is None, "it did not wait for its turn")
            job.judge(ended(waiting))
            job.judge_again()


@contextmanager
def _held(mark: Path) -> Iterator[None]:
    descriptor = os.open(mark, os.O_RDWR)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _try_half_begun(trial: Trial) -> None:
    """Leave what a run leaves that dies while it begins an archive: nobody is locked out by that."""
    with drive_scene(trial) as (scene, _):
        job = _ready(FileFirst, scene)
        left = random.Random(trial.number).choice((b"", b"# This folder", b"id = "))
        (scene.drive / f"{MARK}.part").write_bytes(left)
        with telling("a mark half written by a dead run"):
            ran = scene.run(*job.words())
            require_ended(ran, "the run", 0)
            job.judge(ran)
            job.judge_again()
            require(not list(scene.drive.glob("*.part")), "the dead run's part is left")


FAULTS = (
    Fault("filing-at-once", "two and four runs at once on one archive", _ON, 100, try_filing_at_once, 2),
    Fault("filing-locks", "an archive's lock: a run hangs, died, elsewhere", _ON, 40, try_lock, 1),
)
