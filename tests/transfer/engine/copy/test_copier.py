"""Each source is read once for every drive; what goes wrong with one is told and holds up no other."""

import errno
import hashlib
import os
import threading
from datetime import date

import pytest

from manifests.bags.algorithms import Algorithm
from manifests.bags.builder import Wanted
from manifests.findings import FindingKind
from transfer.engine.bag.listed import Known
from transfer.engine.copy.copier import Copier, Work
from transfer.engine.copy.lane import Lane
from transfer.engine.copy.task import Task
from transfer.engine.medium import this_computer
from transfer.engine.sources import SourceFile
from transfer.errors import NightferryError
from transfer.stop import Stop

MEDIUM = type(this_computer())
LOCK = errno.EBUSY


class Medium(MEDIUM):
    """This computer, with sources that answer an opening with the errors that a test lays out for them."""

    def __init__(self, answers=()):
        super().__init__()
        self.answers = {name: list(errors) for name, errors in dict(answers).items()}
        self.opened = []

    def open_source(self, path):
        name = os.path.basename(path)  # noqa: PTH119 - as the engine gives it
        self.opened.append(name)
        if self.answers.get(name):
            raise OSError(self.answers[name].pop(0), "the system's words", path)
        return super().open_source(path)

    def is_locked(self, error):
        return error.errno == LOCK


class PatientStop(Stop):
    """Counts the pauses instead of waiting; time passes in them alone."""

    def __init__(self, bytes_per_s=None):
        self.now_s = 0.0
        super().__init__(clock=lambda: self.now_s, bytes_per_s=bytes_per_s)
        self.pauses = 0

    def pause(self, seconds):
        assert seconds > 0
        self.pauses += 1
        self.now_s += seconds


class Receiver:
    """A drive: keeps what a lane settles, by name: its bytes and its content."""

    def __init__(self, root):
        root.mkdir()
        self.folder = this_computer().pin(root)
        self.root = root
        self.taken = {}
        self.order = []
        self._parts = 0

    def new_part(self):
        self._parts += 1
        return f"{self._parts}.part"

    def settle(self, batch):
        for written in batch.files:
            written.close()
            name = written.task.file.path
            self.order.append(name)
            self.taken[name] = (
                (self.root / written.part).read_bytes(),
                written.content.result(),
                written.read,
            )


class Desk:
    """Sources in a folder, and drives that take what is carried."""

    def __init__(self, root, drives=1):
        self.root = root
        self.receivers = [Receiver(root / f"drive {number}") for number in range(drives)]
        self.lanes = [Lane(receiver, lambda count: None, batch_bytes=1) for receiver in self.receivers]
        self.stop = PatientStop()

    def work(self, name, content=b"content", older=None, lanes=None, others=()):
        if content is not None:
            (self.root / name).write_bytes(content)
        file = SourceFile("logs", name, 0, 0, None)
        tasks = {lane: Task(file, date(2026, 3, 14), f"data/{name}", older) for lane in lanes or self.lanes}
        return Work(file, str(self.root / name), tasks, others=others)

    def carry(self, works, medium=None, go_on=lambda: True):
        """Carry works; what the copier has not asked for counts as left."""
        coming = iter(works)
        try:
            with Copier(medium or Medium(), self.stop, lambda: self.stop.now_s) as copier:
                failed, left = copier.carry(coming, go_on)
        finally:
            for lane in self.lanes:
                lane.finish()
        told = [(each.work.file.path, each.finding.kind, each.finding.detail) for each in failed]
        return told, [each.file.path for each in (*left, *coming)]

    def parts(self):
        """Count what lies on the drives."""
        return sum(len(list(receiver.root.iterdir())) for receiver in self.receivers)


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path)


def test_a_source_is_read_once_and_reaches_every_drive_that_wants_it(tmp_path):
    desk = Desk(tmp_path, drives=2)
    large = os.urandom((2 << 20) + 5)
    medium = Medium()
    works = [
        desk.work("both", large),
        desk.work("one", b"for the first", lanes=desk.lanes[:1]),
        desk.work("empty", b""),
    ]
    assert desk.carry(works, medium) == ([], [])
    first, second = desk.receivers
    assert (first.order, second.order) == (["both", "one", "empty"], ["both", "empty"])
    assert first.taken["both"][0] == second.taken["both"][0] == large
    assert first.taken["one"][0] == b"for the first"
    assert medium.opened == ["both", "one", "empty"]


def test_digests_and_size_are_those_of_the_bytes_that_were_carried(desk):
    content = os.urandom((1 << 20) + 1)
    desk.carry([desk.work("a", content), desk.work("b", b"another")])
    for name, bytes_of in (("a", content), ("b", b"another")):
        _, said, read = desk.receivers[0].taken[name]
        assert said.digests.sha256 == hashlib.sha256(bytes_of).hexdigest()
        assert said.size_bytes == read.size_bytes == len(bytes_of)


def test_what_the_header_says_comes_from_the_same_read(desk):
    desk.carry([desk.work("light.fits", b"no frame at all")])
    _, said, _ = desk.receivers[0].taken["light.fits"]
    assert [finding.kind for finding in said.inspection.findings] == [FindingKind.HEADER_UNREADABLE]


def test_a_grown_file_is_known_by_what_its_older_one_was(desk):
    older = Known("data/guide.log", 7, 0, False, "")
    desk.carry([desk.work("guide.log", b"content and more", older)])
    _, said, _ = desk.receivers[0].taken["guide.log"]
    assert said.prefixes == {7: hashlib.sha256(b"content").hexdigest()}


def test_the_digests_that_a_bag_of_somebody_else_holds_against_a_file_are_made(desk):
    wanted = Wanted(Algorithm("md5", 16), 16)
    desk.carry([desk.work("a", others=(wanted,))])
    assert desk.receivers[0].taken["a"][1].others == {wanted: hashlib.md5(b"content").digest()}


def test_a_source_below_a_pinned_folder_is_reached_through_it_alone(desk):
    (desk.root / "below").mkdir()
    (desk.root / "below" / "a").write_bytes(b"the right one")
    (desk.root / "a").write_bytes(b"another of that name")
    pinned = this_computer().pin(desk.root / "below")
    work = desk.work("a", None)
    medium = Medium()
    assert desk.carry([Work(work.file, "a", work.tasks, below=pinned)], medium) == ([], [])
    pinned.close()
    assert desk.receivers[0].taken["a"][0] == b"the right one"
    assert medium.opened == []


# What cannot be read


def test_a_source_that_vanished_is_told_and_the_others_are_carried(desk):
    works = [desk.work("a"), desk.work("gone", None), desk.work("b")]
    told, left = desk.carry(works)
    assert told == [("gone", FindingKind.VANISHED, "it was there when the sources were looked at")]
    assert (left, desk.receivers[0].order, desk.stop.pauses) == ([], ["a", "b"], 0)


def test_a_source_that_cannot_be_opened_is_told_in_the_system_s_words_and_tried_once(desk):
    medium = Medium({"a": [errno.EIO]})
    told, left = desk.carry([desk.work("a"), desk.work("b")], medium)
    assert told == [("a", FindingKind.UNREADABLE, "the system's words")]
    assert (left, medium.opened, desk.parts()) == ([], ["a", "b"], 1)


def test_an_error_without_words_of_the_system_is_still_told(desk):
    class Wordless(Medium):
        def open_source(self, path):
            raise OSError("no number and no words")

    told, _ = desk.carry([desk.work("a")], Wordless())
    assert told == [("a", FindingKind.UNREADABLE, "no number and no words")]


def test_a_source_whose_read_fails_leaves_nothing_on_any_drive(tmp_path):
    class Unreadable(Medium):
        """Opens one source in a way that the system refuses to read from."""

        def open_source(self, path):
            return os.open(path, os.O_WRONLY) if path.endswith("bad") else super().open_source(path)

    desk = Desk(tmp_path, drives=2)
    told, left = desk.carry([desk.work("bad"), desk.work("good")], Unreadable())
    assert [(name, kind) for name, kind, _ in told] == [("bad", FindingKind.UNREADABLE)]
    assert (left, desk.parts()) == ([], 2)
    assert [receiver.order for receiver in desk.receivers] == [["good"], ["good"]]
    assert all(lane.voided == [] for lane in desk.lanes)


def test_every_source_is_let_go_of_whatever_came_of_it(desk):
    opened = []

    class Watching(Medium):
        def open_source(self, path):
            descriptor = os.open(path, os.O_WRONLY) if path.endswith("bad") else super().open_source(path)
            opened.append((descriptor, os.fstat(descriptor).st_ino))
            return descriptor

    asked = iter([True] * 4)
    works = [desk.work("bad"), desk.work("good"), desk.work("stopped")]
    _, left = desk.carry(works, Watching(), lambda: next(asked, False))
    assert (left, len(opened)) == (["stopped"], 3)
    assert not any(leads_to(descriptor, inode) for descriptor, inode in opened)


def leads_to(descriptor, inode):
    """Return whether a descriptor is still open on that file: its number may be another's by now."""
    try:
        return os.fstat(descriptor).st_ino == inode
    except OSError:
        return False


# What another program holds


def test_a_locked_source_is_tried_again_after_the_others(desk):
    medium = Medium({"locked": [LOCK, LOCK]})
    told, left = desk.carry([desk.work("locked"), desk.work("a"), desk.work("b")], medium)
    assert (told, left) == ([], [])
    assert desk.receivers[0].order == ["a", "b", "locked"]
    assert medium.opened == ["locked", "a", "b", "locked", "locked"]
    assert desk.stop.pauses == 2


def test_a_source_that_stays_locked_is_tried_three_times_and_told_once(desk):
    medium = Medium({"locked": [LOCK] * 9})
    told, left = desk.carry([desk.work("locked"), desk.work("a")], medium)
    assert told == [("locked", FindingKind.LOCKED, "tried three times; the next run tries again")]
    assert (left, medium.opened.count("locked"), desk.stop.pauses) == ([], 3, 2)


def test_another_failure_beside_a_locked_source_is_told_once_and_not_tried_again(desk):
    medium = Medium({"locked": [LOCK], "bad": [errno.EIO]})
    told, left = desk.carry([desk.work("locked"), desk.work("bad")], medium)
    assert [(name, kind) for name, kind, _ in told] == [("bad", FindingKind.UNREADABLE)]
    assert (left, medium.opened, desk.receivers[0].order) == ([], ["locked", "bad", "locked"], ["locked"])


# What ends before its time


def test_a_run_that_has_to_end_gives_back_what_it_did_not_carry(desk):
    asked = iter([True] * 4)  # before "a", its one block, before "b", its one block
    works = [desk.work(name) for name in "abcd"]
    told, left = desk.carry(works, go_on=lambda: next(asked, False))
    assert (told, left, desk.receivers[0].order) == ([], ["c", "d"], ["a", "b"])


def test_a_run_that_has_to_end_in_the_middle_of_a_file_takes_it_off_again(tmp_path):
    desk = Desk(tmp_path, drives=2)
    asked = iter([True] * 2)
    told, left = desk.carry(
        [desk.work("a", bytes(3 << 20)), desk.work("b")], go_on=lambda: next(asked, False)
    )
    assert (told, left, desk.parts()) == ([], ["a", "b"], 0)
    assert all(lane.voided == [] for lane in desk.lanes)


def test_a_run_that_has_to_end_gives_back_locked_sources_too_and_waits_for_none(desk):
    medium = Medium({"locked": [LOCK]})
    asked = iter([True] * 3)
    works = [desk.work("locked"), desk.work("a"), desk.work("b")]
    told, left = desk.carry(works, medium, lambda: next(asked, False))
    assert (told, left, desk.stop.pauses) == ([], ["locked", "b"], 0)
    assert desk.receivers[0].order == ["a"]


# Files as they come


def test_files_are_carried_as_they_come_and_there_may_be_no_end_to_them(desk):
    """Each is asked for when the one before has been read, and none beyond the end of the run."""
    asked_for, carried = [], 40

    def without_end():
        while True:
            asked_for.append(f"light_{len(asked_for):03}")
            yield desk.work(asked_for[-1])

    with Copier(Medium(), desk.stop, lambda: desk.stop.now_s) as copier:
        failed, left = copier.carry(without_end(), lambda: len(asked_for) <= carried)
    for lane in desk.lanes:
        lane.finish()
    assert (failed, [work.file.path for work in left]) == ([], [f"light_{carried:03}"])
    assert desk.receivers[0].order == asked_for[:carried]


def test_a_locked_source_is_tried_again_though_there_is_no_end_to_the_others(desk):
    """The source is free a second later; the others would keep it waiting for ever."""
    medium = Medium({"locked": [LOCK]})

    def without_end():
        yield desk.work("locked")
        for number in range(1000):
            desk.stop.now_s += 0.3  # as long as a file takes to come
            yield desk.work(f"light_{number:03}")

    with Copier(medium, desk.stop, lambda: desk.stop.now_s) as copier:
        copier.carry(without_end(), lambda: len(medium.opened) < 12)
    for lane in desk.lanes:
        lane.finish()
    assert medium.opened[:6] == ["locked", "light_000", "light_001", "light_002", "light_003", "locked"]
    assert "locked" in desk.receivers[0].taken


def test_sources_are_read_no_faster_than_the_run_may(desk):
    desk.stop = PatientStop(bytes_per_s=1 << 20)
    desk.carry([desk.work("a", bytes(5 << 20)), desk.work("b", bytes(1 << 20))])
    assert desk.stop.now_s == pytest.approx(6.0)


def test_nothing_to_carry_is_no_reason_to_wait(desk):
    assert desk.carry([]) == ([], [])
    assert desk.stop.pauses == 0


def test_a_run_that_has_to_end_opens_no_further_source_not_even_an_empty_one(desk):
    medium = Medium()
    told, left = desk.carry([desk.work("empty", b""), desk.work("a")], medium, lambda: False)
    assert (told, left, medium.opened) == ([], ["empty", "a"], [])


def digesters():
    return [thread for thread in threading.enumerate() if thread.name == "digester"]


def test_leaving_the_copier_ends_its_digester_though_blocks_wait_for_it(desk):
    asked = iter([True] * 16)
    with Copier(Medium(), desk.stop) as copier:
        (digester,) = digesters()
        assert digester.daemon  # one that hangs must not keep the program from ending
        copier.carry([desk.work("a", bytes(20 << 20))], lambda: next(asked, False))
    assert not digester.is_alive()
    for lane in desk.lanes:
        lane.finish()


# A fault of the program


class Broken(Algorithm):
    """An algorithm that fails at one of its steps."""

    def __init__(self, step):
        super().__init__("sha256", 32)
        object.__setattr__(self, "name", step)

    def new(self):
        if self.name == "new":
            raise MemoryError("new")
        return self

    def update(self, block):
        if self.name == "update":
            raise MemoryError("update")

    def finish(self, state, wanted):
        raise MemoryError("finish")


@pytest.mark.parametrize("step", ["new", "update", "finish"])
def test_a_digest_that_cannot_be_made_ends_the_lane_and_nobody_waits_for_it(desk, step):
    """A digester that died of it would leave the reader with a full queue, and the lane with no answer."""
    works = [desk.work("a", bytes(20 << 20), others=(Wanted(Broken(step), 32),)), desk.work("b")]
    desk.carry(works)
    (lane,) = desk.lanes
    assert isinstance(lane.failure, NightferryError)
    assert "no memory left" in str(lane.failure)
    assert "a" in [task.file.path for task in lane.voided]
