"""A night's bag takes whole files to their places; a bad copy is carried again, left out, or kept aside."""

from __future__ import annotations

import errno
import os
from concurrent.futures import Future
from datetime import date

import pytest

from manifests.bags.builder import ContentBuilder
from manifests.findings import FindingKind
from tests.transfer.engine.bag.conftest import NIGHT, Bag
from transfer.engine.bag.listed import known_of
from transfer.engine.copy.batch import Batch, Written
from transfer.engine.copy.source import SourceRead
from transfer.engine.copy.task import Task
from transfer.engine.sources import SourceFile
from transfer.jobs.send.plan import NightPlan
from transfer.jobs.send.proving import NightReceiver
from transfer.stop import Stop


class FakeDrive:
    """What a plan says of a drive, as far as a receiver asks."""

    name = "Field stick"


class Desk:
    """A bag on a drive, a folder of sources, and the receiver between them."""

    def __init__(self, root, doubtful=frozenset()):
        (root / "drive").mkdir()
        (root / "logs").mkdir()
        self.root, self.bag, self.stop = root, Bag(root / "drive"), Stop()
        self.doubtful = doubtful

    def receive(self, *names):
        """Open the bag as a run does whose sources have these names."""
        opened = self.bag.begin()
        plan = NightPlan(FakeDrive(), date.fromisoformat(NIGHT), opened.listed, doubtful=self.doubtful)
        files = {("logs", name): self.source(name) for name in names}
        self.receiver = NightReceiver(plan, opened, files, self.path_of, lambda event: None, self.stop)
        return self.receiver

    def source(self, name):
        path = self.root / "logs" / name
        return SourceFile("logs", name, path.stat().st_size if path.exists() else 0, 0, None)

    def path_of(self, file):
        return str(self.root / "logs" / file.path)

    def written(self, name, content, older=None, growing=False):
        """Write a source, and a whole part of it as a lane does."""
        (self.root / "logs" / name).write_bytes(content)
        part = self.receiver.new_part()
        descriptor = self.receiver.folder.create_file(part)
        os.write(descriptor, content)
        builder = ContentBuilder(name, frozenset() if older is None else frozenset({older.size_bytes}))
        builder.feed(content)
        said = Future()
        said.set_result(builder.finish())
        task = Task(self.source(name), date.fromisoformat(NIGHT), f"data/logs/{name}", older)
        return Written(task, part, descriptor, SourceRead(len(content), 5, None, growing, ()), said)

    def settle(self, *written):
        batch = Batch(0)
        for each in written:
            batch.add(each)
        self.receiver.settle(batch)

    def publish(self):
        entries = {}
        self.bag.opened.publish(True, lambda: lambda entry: entries.update({entry.path: entry}))
        return entries

    def has(self, name):
        return self.bag.has(name)

    def older(self, name):
        """Return what the bag has of a name."""
        return self.bag.listed().known["logs", name]


@pytest.fixture
def desk(tmp_path):
    made = Desk(tmp_path)
    yield made
    made.bag.opened.close()
    made.bag.folder.close()


def test_each_file_comes_to_the_place_that_its_task_names(desk):
    receiver = desk.receive("a", "b")
    desk.settle(desk.written("a", b"first"), desk.written("b", b"second", growing=True))
    assert (desk.has("a"), desk.has("b"), receiver.has_unproven) == (b"first", b"second", True)
    assert receiver.prove() == []
    entries = desk.publish()
    assert {path: entry.growing for path, entry in entries.items()} == {
        "data/logs/a": False,
        "data/logs/b": True,
    }
    assert (receiver.has_unproven, receiver.bad_count) == (False, 0)


def test_a_file_that_came_with_the_content_it_had_is_not_written_again(desk):
    desk.bag.finish(a=b"content")
    desk.receive("a")
    inode = (desk.bag.path / "data/logs/a").stat().st_ino
    desk.settle(desk.written("a", b"content", desk.older("a")))
    assert (desk.bag.path / "data/logs/a").stat().st_ino == inode
    assert not list((desk.bag.path / "nightferry/incoming").glob("*.part"))
    assert desk.publish()["data/logs/a"].modified_ns == 5  # as the source has it now


def test_a_log_that_grew_takes_the_place_of_its_older_part(desk):
    desk.bag.finish(a=b"22:00\n")
    receiver = desk.receive("a")
    desk.settle(desk.written("a", b"22:00\n22:01\n", desk.older("a")))
    assert receiver.prove() == []
    assert (desk.has("a"), list(desk.publish())) == (b"22:00\n22:01\n", ["data/logs/a"])


def test_other_content_under_a_known_name_is_kept_beside_it(desk):
    desk.bag.finish(a=b"content")
    receiver = desk.receive("a")
    desk.settle(desk.written("a", b"quite another", desk.older("a")))
    receiver.prove()
    entries = desk.publish()
    assert desk.has("a") == b"content"
    (beside,) = entries.keys() - {"data/logs/a"}
    assert (desk.bag.path / beside).read_bytes() == b"quite another"
    assert [found.kind for found in entries[beside].findings] == [FindingKind.KEPT_BOTH]


def test_a_name_that_the_drive_refuses_is_a_finding_and_leaves_no_part(desk, monkeypatch):
    receiver = desk.receive("bad", "good")
    real = type(desk.bag.folder).give_name

    def give_name(self, part, path):
        if path.endswith("/logs/bad"):
            raise OSError(errno.EINVAL, "Invalid argument")
        return real(self, part, path)

    monkeypatch.setattr(type(desk.bag.folder), "give_name", give_name)
    desk.settle(desk.written("bad", b"x"), desk.written("good", b"y"))
    (finding,) = receiver.findings
    assert (finding.kind, finding.path) == (FindingKind.NOT_PROVEN, "logs/bad")
    assert "refuses its name" in finding.detail
    assert desk.has("good") == b"y"
    assert not list((desk.bag.path / "nightferry/incoming").glob("*.part"))


def spoil(desk, name):
    path = desk.bag.path / "data/logs" / name
    path.write_bytes(b"X" * path.stat().st_size)


def test_a_bad_copy_is_to_be_carried_again_and_all_else_read_back_again(desk):
    receiver = desk.receive("a", "b")
    desk.settle(desk.written("a", b"first"), desk.written("b", b"second"))
    spoil(desk, "b")
    (again,) = receiver.prove()
    assert (again.task.path, again.task.file.path) == ("data/logs/b", "b")
    assert again.reason == "what was read back is not what was written, every time"
    assert sorted(desk.bag.opened.proofs.unproven) == ["data/logs/a", "data/logs/b"]
    desk.settle(desk.written("b", b"second"))
    assert receiver.prove() == []
    assert FindingKind.WRITTEN_AGAIN in {found.kind for found in desk.publish()["data/logs/b"].findings}
    assert receiver.bad_count == 1


@pytest.mark.parametrize("source_is_there", [True, False])
def test_a_copy_that_stays_bad_is_removed_or_kept_where_it_may_be_all_there_is(desk, source_is_there):
    receiver = desk.receive("a", "b")
    desk.settle(desk.written("a", b"first"), desk.written("b", b"second"))
    spoil(desk, "b")
    (again,) = receiver.prove()
    if not source_is_there:
        (desk.root / "logs/b").unlink()
    receiver.leave_bad_out({again.task.path: again.task})
    assert (desk.has("b"), receiver.has_unproven) == (None, True)
    receiver.prove()
    assert list(desk.publish()) == ["data/logs/a"]
    aside = desk.bag.path / "nightferry/set-aside"
    kept = [path.read_bytes() for path in aside.iterdir()] if aside.exists() else []
    assert kept == ([] if source_is_there else [b"XXXXXX"])
    assert [found.path for found in receiver.findings] == ([] if source_is_there else ["logs/b"])


def test_a_bad_copy_without_a_source_is_kept_aside_at_once(desk):
    """An earlier run left it, and its source has gone since."""
    receiver = desk.receive()
    desk.settle(desk.written("a", b"first"))
    spoil(desk, "a")
    assert receiver.prove() == []
    assert desk.has("a") is None
    (finding,) = receiver.findings
    assert "its source is gone" in finding.detail


def test_after_a_signal_nothing_is_read_back(desk):
    receiver = desk.receive("a")
    desk.settle(desk.written("a", b"first"))
    desk.stop.ask("signal SIGTERM")
    assert receiver.prove() == []
    assert receiver.has_unproven


def test_what_changed_after_it_was_proven_leaves_the_manifest(desk):
    receiver = desk.receive("a", "b")
    desk.settle(desk.written("a", b"first"), desk.written("b", b"second"))
    receiver.prove()
    desk.publish()
    assert receiver.read_again()
    spoil(desk, "b")
    assert not receiver.read_again()
    assert sorted(desk.bag.manifest()) == ["data/logs/a"]
    (finding,) = receiver.findings
    assert "don't trust this drive" in finding.detail


def test_a_listed_copy_that_turns_out_bad_leaves_the_manifest_before_its_place_is_taken(tmp_path):
    desk = Desk(tmp_path, doubtful=frozenset({"data/logs/a"}))
    desk.bag.finish(a=b"first", b=b"second")
    opened = desk.bag.begin()
    opened.close()
    desk.receive("a")
    desk.bag.opened.begin(1 << 10, again={"data/logs/a"})
    spoil(desk, "a")
    (tmp_path / "logs/a").write_bytes(b"first")
    (again,) = desk.receiver.prove()
    assert again.task.path == "data/logs/a"
    assert sorted(desk.bag.manifest()) == ["data/logs/b"]
    desk.bag.opened.close()
    desk.bag.folder.close()


def test_what_is_known_of_an_entry_is_enough_to_see_a_change(desk):
    desk.bag.finish(a=b"content")
    desk.receive("a")
    desk.settle(desk.written("a", b"content and more", desk.older("a")))
    desk.receiver.prove()
    entry = desk.publish()["data/logs/a"]
    known = known_of(entry)
    assert (known.size_bytes, known.modified_ns, known.growing) == (16, 5, False)
