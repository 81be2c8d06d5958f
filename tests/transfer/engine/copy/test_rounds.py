"""Copied, read back, carried again where a copy is bad, three times at most; what stays bad is left out."""

from datetime import date

import pytest

from manifests.findings import FindingKind
from transfer.engine.copy.destination import Destination
from transfer.engine.copy.rounds import ROUNDS, Again, Opening, Rounds, Side
from transfer.engine.copy.task import Task
from transfer.engine.medium import this_computer
from transfer.engine.sources import SourceFile
from transfer.errors import DoesNotFit, DriveFailed
from transfer.events import PhaseBegan, PhaseEnded
from transfer.stop import Stop


class Receiver:
    """A folder that takes files, and finds copies bad as often as a test says.

    `acts` has what was asked of it, in order.
    """

    def __init__(self, root, bad=(), errors=()):
        root.mkdir()
        self.root = root
        self.folder = this_computer().pin(root)
        self.bad, self.errors = dict(bad), list(errors)
        self.acts = []
        self.unproven, self.proven, self.found_bad = {}, {}, set()
        self._parts = 0

    def new_part(self):
        self._parts += 1
        return f"{self._parts}.part"

    def settle(self, batch):
        for written in batch.files:
            written.close()
        if self.errors:
            raise self.errors.pop(0)
        for written in batch.files:
            self.unproven[written.task.path] = written.task
            self.found_bad.discard(written.task.path)
        self.acts.append(("settle", sorted(written.task.path for written in batch.files)))

    @property
    def has_unproven(self):
        return bool(self.unproven)

    def prove(self):
        self.acts.append(("prove", sorted(self.unproven)))
        bad = [task for path, task in self.unproven.items() if self.bad.get(path, 0)]
        self.proven |= {path: task for path, task in self.unproven.items() if task not in bad}
        self.unproven = {}
        for task in bad:
            self.bad[task.path] -= 1
            self.found_bad.add(task.path)
        if bad:  # as with a drive: one bad copy has everything read back again
            self.unproven, self.proven = self.proven, {}
        return [Again(task, "it was bad, every time") for task in bad]

    def leave_bad_out(self, todo):
        self.acts.append(("leave out", sorted(self.found_bad), sorted(todo)))
        self.found_bad.clear()


class Desk:
    def __init__(self, root, count=2, receivers=None):
        self.root = root
        for number in range(count):
            (root / f"{number}.log").write_bytes(b"content %d" % number)
        self.receivers = receivers or [Receiver(root / "stick")]
        self.stop = Stop()
        self.events = []
        self.sides = [self.side(receiver, range(count)) for receiver in self.receivers]

    def side(self, receiver, numbers):
        def explain(error):
            return DriveFailed(f"explained: {error.strerror}")

        todo = {task.path: task for task in map(self.task, numbers)}
        return Side(Destination(receiver.root, explain), receiver, receiver.root.name, todo, batch_bytes=1)

    def task(self, number):
        name = f"{number}.log"
        path = self.root / name
        size = path.stat().st_size if path.exists() else 0
        return Task(SourceFile("logs", name, size, 0, None), date(2026, 3, 14), f"data/{name}")

    def rounds(self, **more):
        opening = lambda task: Opening(str(self.root / task.file.path))  # noqa: E731
        return Rounds(self.sides, opening, this_computer(), self.stop, self.events.append, **more)


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path)


def kinds(receiver):
    return [act[0] for act in receiver.acts]


def test_what_matches_is_carried_once(desk):
    desk.rounds().run()
    (receiver,), (side,) = desk.receivers, desk.sides
    assert sorted(receiver.proven) == ["data/0.log", "data/1.log"]
    assert kinds(receiver) == ["settle", "settle", "prove", "leave out"]
    assert (side.todo, side.findings, side.copied_bytes) == ({}, [], 18)
    began, ended = (
        [event for event in desk.events if isinstance(event, kind)] for kind in (PhaseBegan, PhaseEnded)
    )
    assert [(event.what, event.total_bytes) for event in began] == [("stick", 18)]
    assert [event.what for event in ended] == ["stick"]


def test_a_bad_copy_is_carried_again_and_everything_read_back_again(tmp_path):
    desk = Desk(tmp_path, receivers=[Receiver(tmp_path / "stick", bad={"data/1.log": 1})])
    desk.rounds().run()
    (receiver,), (side,) = desk.receivers, desk.sides
    assert sorted(receiver.proven) == ["data/0.log", "data/1.log"]
    proofs = [act[1] for act in receiver.acts if act[0] == "prove"]
    assert proofs == [["data/0.log", "data/1.log"]] * 2
    assert side.todo == {}


def test_a_copy_that_stays_bad_is_left_out_after_three_rounds_and_the_rest_is_proven(tmp_path):
    desk = Desk(tmp_path, receivers=[Receiver(tmp_path / "stick", bad={"data/1.log": 99})])
    desk.rounds().run()
    (receiver,), (side,) = desk.receivers, desk.sides
    assert sorted(receiver.proven) == ["data/0.log"]
    assert kinds(receiver).count("settle") == 1 + ROUNDS
    assert ("leave out", ["data/1.log"], ["data/1.log"]) in receiver.acts
    assert sorted(side.todo) == ["data/1.log"]
    assert side.reasons == {"data/1.log": "it was bad, every time"}


def test_one_read_feeds_every_side_and_each_has_only_its_own_carried_again(tmp_path):
    receivers = [Receiver(tmp_path / "stick", bad={"data/0.log": 1}), Receiver(tmp_path / "card")]
    desk = Desk(tmp_path, receivers=receivers)
    opened = []

    class Counting(type(this_computer())):
        def open_source(self, path):
            opened.append(path[-5:])
            return super().open_source(path)

    rounds = desk.rounds()
    rounds.medium = Counting()
    rounds.run()
    assert opened == ["0.log", "1.log", "0.log"]
    assert all(sorted(receiver.proven) == ["data/0.log", "data/1.log"] for receiver in receivers)
    assert kinds(receivers[1]).count("settle") == 2


def test_a_failed_write_is_carried_again(tmp_path):
    error = OSError(5, "Input/output error")
    desk = Desk(tmp_path, count=1, receivers=[Receiver(tmp_path / "stick", errors=[error])])
    desk.rounds().run()
    (side,) = desk.sides
    assert (side.todo, side.destination.failure) == ({}, None)
    assert sorted(desk.receivers[0].proven) == ["data/0.log"]


def test_a_source_that_cannot_be_read_is_reported_to_each_side_that_wanted_it(tmp_path):
    receivers = [Receiver(tmp_path / "stick"), Receiver(tmp_path / "card")]
    desk = Desk(tmp_path, receivers=receivers)
    (tmp_path / "1.log").unlink()
    desk.rounds().run()
    for side in desk.sides:
        assert [(task.path, found.kind) for task, found in side.findings] == [
            ("data/1.log", FindingKind.VANISHED)
        ]
        assert side.todo == {}


def test_on_a_full_drive_what_lies_there_is_proven_and_the_rest_stays_to_be_done(tmp_path):
    full = OSError(28, "No space left on device")
    receiver = Receiver(tmp_path / "stick", errors=[full])
    desk = Desk(tmp_path, count=3, receivers=[receiver])
    desk.rounds().run()
    (side,) = desk.sides
    assert isinstance(side.full, DoesNotFit)
    assert side.destination.failure is None
    assert "data/0.log" in side.todo
    assert sorted([*side.todo, *receiver.proven]) == ["data/0.log", "data/1.log", "data/2.log"]
    assert kinds(receiver)[-2:] == ["prove", "leave out"]


def test_an_error_of_one_side_is_explained_and_ends_no_other(tmp_path):
    class Failing(Receiver):
        def prove(self):
            raise OSError(5, "Input/output error")

    desk = Desk(tmp_path, receivers=[Failing(tmp_path / "stick"), Receiver(tmp_path / "card")])
    desk.rounds().run()
    stick, card = desk.sides
    assert stick.destination.failure.happened == "explained: Input/output error"
    assert card.destination.failure is None
    assert sorted(card.receiver.proven) == ["data/0.log", "data/1.log"]


def test_a_run_that_may_not_go_on_proves_what_it_carried_and_keeps_the_rest(desk):
    asked = iter([True] * 2)  # before the first file, and before its one block
    desk.rounds(may_go_on=lambda: next(asked, False)).run()
    (side,) = desk.sides
    assert (sorted(side.todo), side.stopped) == (["data/1.log"], True)
    assert sorted(desk.receivers[0].proven) == ["data/0.log"]


def test_after_a_signal_no_further_round_is_begun(tmp_path):
    desk = Desk(tmp_path, receivers=[Receiver(tmp_path / "stick", bad={"data/0.log": 9})])
    rounds = desk.rounds()
    rounds.copy()
    desk.stop.ask("signal SIGTERM")
    rounds.finish()
    assert kinds(desk.receivers[0]) == ["settle", "settle", "prove", "leave out"]
    assert sorted(desk.sides[0].todo) == ["data/0.log"]


def test_what_copying_began_can_be_finished_by_another_thread_s_call(desk):
    rounds = desk.rounds()
    rounds.copy()
    assert "prove" not in kinds(desk.receivers[0])
    rounds.finish()
    assert sorted(desk.receivers[0].proven) == ["data/0.log", "data/1.log"]


def test_what_an_earlier_run_left_is_read_back_though_nothing_is_to_be_carried(tmp_path):
    receiver = Receiver(tmp_path / "stick")
    desk = Desk(tmp_path, count=0, receivers=[receiver])
    receiver.unproven = {"data/old.log": "a task"}
    desk.rounds().run()
    assert sorted(receiver.proven) == ["data/old.log"]
    assert desk.events == []
