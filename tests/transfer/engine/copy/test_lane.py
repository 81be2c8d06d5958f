"""One drive's side of the copy: whatever its threads meet, the reader is never left waiting."""

import threading
from concurrent.futures import Future
from datetime import date

import pytest

from manifests.bags.builder import content_of
from transfer.engine.copy.lane import Lane
from transfer.engine.copy.source import SourceRead
from transfer.engine.copy.task import Task
from transfer.engine.medium import this_computer
from transfer.engine.sources import SourceFile
from transfer.errors import DriveFailed, Unforeseen


class Receiver:
    """Takes what a lane writes into one folder; `on_settle` is what a test has it do with a batch."""

    def __init__(self, folder, on_settle):
        self.folder = folder
        self.settle = on_settle
        self._parts = 0

    def new_part(self):
        self._parts += 1
        return f"{self._parts}.part"


@pytest.fixture
def folder(tmp_path):
    pinned = this_computer().pin(tmp_path)
    yield pinned
    pinned.close()


def task(name):
    return Task(SourceFile("logs", name, 7, 0, None), date(2026, 3, 14), f"data/logs/{name}")


def carry(lane, name, blocks=(b"content",)):
    lane.begin(task(name))
    for block in blocks:
        lane.write(block)
    content = Future()
    content.set_result(content_of(name, blocks))
    lane.end(SourceRead(sum(map(len, blocks)), 0, None, growing=False, findings=()), content)


def test_what_was_written_is_settled_in_batches(folder, tmp_path):
    settled, counted = [], []
    lane = Lane(Receiver(folder, settled.append), counted.append, batch_bytes=10)
    for name in "abcde":
        carry(lane, name)
    lane.finish()
    assert [[written.task.path for written in batch.files] for batch in settled] == [
        ["data/logs/a", "data/logs/b"],
        ["data/logs/c", "data/logs/d"],
        ["data/logs/e"],
    ]
    assert sum(counted) == 35
    assert all((tmp_path / f"{number}.part").read_bytes() == b"content" for number in range(1, 6))
    for batch in settled:
        for written in batch.files:
            written.close()
    assert (lane.voided, lane.refused, lane.failure) == ([], [], None)


def test_a_file_whose_source_failed_leaves_nothing(folder, tmp_path):
    lane = Lane(Receiver(folder, lambda batch: None), lambda count: None)
    lane.begin(task("a"))
    lane.write(b"half of ")
    lane.drop()
    lane.finish()
    assert list(tmp_path.iterdir()) == []
    assert lane.voided == []


def test_a_fault_of_the_program_ends_the_lane_and_nobody_waits_for_it(folder, tmp_path):
    def settle(batch):
        raise KeyError("something nobody thought of")

    lane = Lane(Receiver(folder, settle), lambda count: None, batch_bytes=1)
    for number in range(60):
        carry(lane, str(number))
    lane.finish()
    assert isinstance(lane.failure, Unforeseen)
    assert len(lane.voided) == 60
    assert list(tmp_path.iterdir()) == []


def test_a_listener_that_fails_ends_the_lane_and_nobody_waits_for_it(folder):
    lane = Lane(Receiver(folder, lambda batch: None), lambda count: {}["fault"])
    for number in range(60):
        carry(lane, str(number))
    lane.finish()
    assert isinstance(lane.failure, Unforeseen)
    assert len(lane.voided) == 60


def test_a_drive_that_hangs_is_left_when_patience_is_over(folder):
    let_go = threading.Event()
    asked = []

    def patience(waited_s):
        asked.append(waited_s)
        return len(asked) < 3

    lane = Lane(Receiver(folder, lambda batch: let_go.wait()), lambda count: None, patience, batch_bytes=1)
    for number in range(60):
        carry(lane, str(number))
    lane.finish()
    assert (lane.hangs, lane.has_ended, len(asked)) == (True, True, 3)
    let_go.set()


def test_an_error_voids_what_was_written_since_the_last_barrier_and_the_next_batch_is_fresh(folder):
    settled = []

    def settle(batch):
        if not settled:
            settled.append([])
            raise OSError(5, "Input/output error")
        settled.append([written.task.path for written in batch.files])

    lane = Lane(Receiver(folder, settle), lambda count: None, batch_bytes=7)
    carry(lane, "a")
    lane.finish()
    assert (lane.voided, lane.failure, lane.trouble) == ([task("a")], None, "Input/output error")


def test_a_failed_flush_voids_the_batch_that_was_written_meanwhile(folder):
    """On some drivers the second file's lost write comes out as an error of the first one's flush."""
    written = threading.Event()
    settled = []

    def settle(batch):
        if batch.files[0].task.file.path == "a":
            assert written.wait(20)
            raise OSError(5, "Input/output error")
        settled.append(batch.files[0].task.file.path)
        batch.files[0].close()

    counted = []

    def count(size_bytes):
        counted.append(size_bytes)
        if len(counted) == 2:
            written.set()

    lane = Lane(Receiver(folder, settle), count, batch_bytes=7)
    carry(lane, "a")
    carry(lane, "b")
    lane.finish()
    assert [each.file.path for each in lane.voided] == ["a", "b"]
    assert settled == []


def test_a_drive_that_keeps_failing_ends_the_lane(folder):
    def settle(batch):
        raise OSError(5, "Input/output error")

    lane = Lane(Receiver(folder, settle), lambda count: None, batch_bytes=1)
    for number in range(60):
        carry(lane, str(number))
    lane.finish()
    assert isinstance(lane.failure, DriveFailed)
    assert sorted(int(each.file.path) for each in lane.voided) == list(range(60))
