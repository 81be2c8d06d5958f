"""The jobs that faults are made in. A command that comes to the product is one more job here."""

from __future__ import annotations

from pathlib import Path

from tests.faults.judge import (
    Fingerprint,
    Ran,
    fingerprint,
    receipt_on,
    require,
    require_complete,
    require_ended,
    require_lists_true,
    require_same,
    require_told,
    require_truth,
    require_whole,
)
from tests.faults.scene import Scene, prepare


class Job:
    """One command in one situation: how it comes to it, what has to hold after it, and after a repeat.

    `needs_bytes` is about what it writes, `room_bytes` what has to be free before it begins to.
    """

    name = ""
    needs_bytes = 0
    room_bytes = 0
    writes_to = "drive"  # the folder of the trial's room that it changes
    ready_once = False  # whether many trials share one scene that was made ready, put back for each

    def __init__(self, scene: Scene) -> None:
        self.scene = scene

    def make_ready(self) -> None:
        """Prepare everything up to the moment before the command is run."""

    def look_again(self) -> None:
        """Take what lies there now for what is to stay: a volume mounted again may round its times."""

    def words(self) -> list[str]:
        """Return the command."""
        raise NotImplementedError

    def judge(self, ran: Ran) -> None:
        """Check invariants 1 to 4 after the run in which the fault was made."""
        raise NotImplementedError

    def judge_again(self) -> None:
        """Run it again, the fault gone, and hold invariant 5."""
        raise NotImplementedError

    # What faults of drives ask

    def require_lists_true(self) -> None:
        """Check invariant 2 alone."""
        require_lists_true(self.scene.drive)

    def require_all(self) -> None:
        """Check that all that the job was to bring is there, in valid bags."""
        require_complete(self.scene.drive, self.scene.known.now)
        require_whole(self.scene.drive, self.scene.known)

    def is_from_medium(self, ran: Ran) -> bool:
        """Return whether a run said that all it brought was read back from the medium."""
        return "medium" in {night["read_back"] for night in ran.document["nights"]}

    def plant_twin(self) -> None:
        """Make the empty folder where the drive was look like it."""
        prepare(self.scene.drive)


class SendFirst(Job):
    """The first send of the night."""

    name = "send"
    needs_bytes = room_bytes = 3_500_000

    def make_ready(self) -> None:
        self.scene.begin_session()
        self._receipt = receipt_on(self.scene.drive)

    def words(self) -> list[str]:
        return self.scene.send_words()

    def judge(self, ran: Ran) -> None:
        self.scene.require_sources_untouched()
        require_truth(ran, self.scene.drive, self.scene.known.now, self._receipt)
        require_whole(self.scene.drive, self.scene.known)

    def judge_again(self) -> None:
        again = self.scene.send()
        require_ended(again, "sent again, it", 0)
        self.scene.require_sources_untouched()
        self.require_all()


class SendMore(SendFirst):
    """A send to a drive that has the night's first part: frames come, logs have grown."""

    name = "send-more"
    needs_bytes = room_bytes = 1_500_000

    def make_ready(self) -> None:
        self.scene.begin_session()
        first = self.scene.send()
        require_ended(first, "the first send", 0)
        self.scene.go_on_with_session()
        self._receipt = receipt_on(self.scene.drive)


class SendNothing(SendFirst):
    """A send to a drive that has the whole night already."""

    name = "send-nothing"
    needs_bytes = room_bytes = 0

    def make_ready(self) -> None:
        self.scene.begin_session()
        require_ended(self.scene.send(), "the first send", 0)
        self._receipt = receipt_on(self.scene.drive)


class CheckGood(Job):
    """A check of a drive that holds."""

    name = "check"

    def make_ready(self) -> None:
        self.scene.begin_session()
        first = self.scene.send()
        require_ended(first, "the send", 0)
        self._drive = fingerprint(self.scene.drive)

    def words(self) -> list[str]:
        return ["check", str(self.scene.drive), "--json"]

    def judge(self, ran: Ran) -> None:
        self.scene.require_sources_untouched()
        require_same(self._drive, fingerprint(self.scene.drive), "the drive")
        if ran.killed:
            return
        told = require_told(ran)
        if told:
            self._judge_told(ran, told)

    def _judge_told(self, ran: Ran, told: dict[str, object]) -> None:
        if ran.exit == 0:
            require(_verified(told) == len(self.scene.known.now), "exit 0 without every file verified")

    def judge_again(self) -> None:
        again = self.scene.run(*self.words())
        require_ended(again, "checked again, it", 0)
        require(_verified(again.document) == len(self.scene.known.now), "not every file was verified")


class CheckBad(CheckGood):
    """A check of a drive on which one byte of one frame is not what it was."""

    name = "check-damaged"

    def make_ready(self) -> None:
        super().make_ready()
        path = self.scene.dice.choice(sorted(name for name in self.scene.known.now if "light" in name))
        self._damaged = path
        bag = next(self.scene.drive.glob("*/manifest-sha256.txt")).parent
        flip_bit(bag / path, self.scene.dice.randrange(1_000, 100_000))
        self._drive: Fingerprint = fingerprint(self.scene.drive)

    def _judge_told(self, ran: Ran, told: dict[str, object]) -> None:
        require(ran.exit != 0, "exit 0 for a bag with a changed frame")

    def judge_again(self) -> None:
        again = self.scene.run(*self.words())
        require_ended(again, "checked again, it", 1)
        named = [found["path"] for found in again.document["findings"]]
        require(any(path.endswith(self._damaged) for path in named), f"{self._damaged} is not named: {named}")


SENDS: tuple[type[Job], ...] = (SendFirst, SendMore)
CHECKS: tuple[type[Job], ...] = (CheckGood, CheckBad)


def _verified(told: dict[str, object]) -> int:
    bags = told["bags"]
    assert isinstance(bags, list)
    return sum(bag["verified"] for bag in bags)


def flip_bit(path: Path, at: int, bit: int = 4) -> None:
    """Change one bit of a file in place; its times stay."""
    with path.open("r+b") as file:
        file.seek(at)
        byte = file.read(1)[0]
        file.seek(at)
        file.write(bytes([byte ^ (1 << bit)]))
