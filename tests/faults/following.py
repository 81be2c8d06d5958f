"""Faults while a night is followed, and while `send` takes over from a follower, at work or killed."""

from __future__ import annotations

import re
import time

from tests.faults.changing_sources import SendChanging, change_during
from tests.faults.drives import cut_power, fill_drive, pull_drive
from tests.faults.jobs import Job, SendFirst
from tests.faults.judge import Ran, require, require_told
from tests.faults.system_calls import FAILURES, KILLED_AT, draw, fail_at, kill_at
from tests.faults.trials import Fault, Trial
from tests.support.followers import FOLLOWS_FAST, Follower
from transfer.errors import ExitCode

ON = ("ext4", "exfat", "ntfs")
_HANDED_OVER = re.compile(r"([\d,]+) of ([\d,]+) files were carried and proven")
_OTHER_VERSION = """
from transfer.engine import following
following.FORMAT = 99
from transfer.start import main
main()
"""


class Follow(SendFirst):
    """A follower that closes its night itself after a few seconds."""

    name = "follow"

    def make_ready(self) -> None:
        self.scene.computer.more = FOLLOWS_FAST
        self.scene.computer.configure()
        super().make_ready()

    def words(self) -> list[str]:
        return self.scene.send_words("--follow", "--until", "4s", "--rate", "60")


class SendAfterKilled(Follow):
    """A send after a follower that was killed in the midst of the night."""

    name = "send-after-killed"
    lives = False

    def make_ready(self) -> None:
        super().make_ready()
        self.follower = self.begin()
        self.scene.at_end.callback(self.follower.kill)
        self.follower.says("is proven on", times=self.scene.dice.randrange(1, 9))
        if not self.lives:
            self.follower.kill()
        self.scene.go_on_with_session()

    def begin(self) -> Follower:
        """Start the follower."""
        return Follower(self.scene.computer, "--drive", self.scene.drive, "--until", "60s")

    def words(self) -> list[str]:
        return self.scene.send_words()


class SendTakesOver(SendAfterKilled):
    """A send that takes over from a follower at work."""

    name = "send-takes-over"
    lives = True
    # What `send` ends with where a drive fails, has left or is full; and 6 where files are left to the send.
    may_end_with: tuple[int, ...] = (0, 1, 3, 4, 6)

    def judge(self, ran: Ran) -> None:
        if self.follower.process.poll() is None:
            # The send was killed before it had asked, or ended before: the follower goes on, as it should.
            self.follower.kill()
        else:
            code, said = self.follower.ends(), self.follower.said
            require(code in self.may_end_with, f"the follower ended with {code}: {said}")
            handed = _HANDED_OVER.search(said)
            if handed is not None:
                require(code != 0 or handed[1] == handed[2], f"it ended with {code}, and says {handed[0]}")
        super().judge(ran)


class SendAtAnyMoment(SendTakesOver):
    """A send at any moment of a follower's short life: it starts, looks, carries, closes the night, ends."""

    name = "send-at-any-moment"
    may_end_with = (0, 1, 3, 4, 5, 6)  # 5 where the send was at work before it

    def make_ready(self) -> None:
        Follow.make_ready(self)
        self.scene.go_on_with_session()
        self.follower = Follower(self.scene.computer, "--drive", self.scene.drive, "--until", "2s")
        self.scene.at_end.callback(self.follower.kill)
        time.sleep(self.scene.dice.uniform(0, 4))


class SendAfterOther(SendTakesOver):
    """A send that takes over from a follower of another version, which keeps its state in another form."""

    name = "send-after-other"

    def begin(self) -> Follower:
        return Follower(
            self.scene.computer, "--drive", self.scene.drive, "--until", "60s", program=("-c", _OTHER_VERSION)
        )


class SendAfterHung(SendAfterKilled):
    """A send after a follower that hangs: it says which process to end, and what was proven stays."""

    name = "send-after-hung"
    lives = True

    def make_ready(self) -> None:
        super().make_ready()
        self.follower.hold_up()

    def words(self) -> list[str]:
        return self.scene.send_words("--time-limit", "2s")

    def judge(self, ran: Ran) -> None:
        if ran.exit == ExitCode.BUSY:
            told = require_told(ran) or {}
            require(f"kill -9 {self.follower.process.pid}" in told.get("message", ""), f"it says {told}")
        self.follower.kill()
        super().judge(ran)
        require(ran.exit != 0, "it ended with 0 beside a follower that hangs")


class FollowChanging(Follow, SendChanging):
    """A follower one of whose sources is not what it was when it is read."""

    name = "follow-changing"


_TAKING_OVER = (SendAfterKilled, SendTakesOver, SendAtAnyMoment, SendAfterOther)
JOBS: tuple[type[Job], ...] = (Follow, *_TAKING_OVER)


def try_kill(trial: Trial) -> None:
    """Kill a run as it enters a system call."""
    kill_at(trial, *draw(trial, KILLED_AT, (*JOBS, SendAfterHung)))


def try_failure(trial: Trial) -> None:
    """Make a system call of a run fail, once or from then on."""
    fail_at(trial, *draw(trial, tuple(FAILURES), (*JOBS, SendAfterHung)))


def try_pull(trial: Trial) -> None:
    """Pull the drive, and plug it in again."""
    pull_drive(trial, JOBS)


def try_cut(trial: Trial) -> None:
    """Cut the power."""
    cut_power(trial, JOBS)


def try_fill(trial: Trial) -> None:
    """Leave less room than the night needs."""
    fill_drive(trial, (Follow, SendAfterKilled))


def try_change(trial: Trial) -> None:
    """Change a source while it is read."""
    change_during(trial, FollowChanging)


_WHO = "followed night, or send taking over"
FAULTS = (
    Fault("follow-killed", f"{_WHO}: killed at a system call", ON, 60, try_kill, 1),
    Fault("follow-call-fails", f"{_WHO}: a system call fails", ON, 60, try_failure, 0),
    Fault("follow-pulled", f"{_WHO}: the drive pulled, plugged in again", ("exfat", "ntfs"), 30, try_pull, 1),
    Fault("follow-cut", f"{_WHO}: power cut at a random moment", ("exfat", "ext4"), 30, try_cut, 0),
    Fault("follow-filled", f"{_WHO}: the drive filled to every level", ("exfat",), 20, try_fill, 0),
    Fault(
        "follow-changing", "followed night: a source changes while it is read", ("ext4",), 20, try_change, 0
    ),
)
