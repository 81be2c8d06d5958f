"""Files written together are flushed together; where that fails none of them counts, and none is left."""

import os
from concurrent.futures import Future
from datetime import date

import pytest

from transfer.engine.copy.batch import Batch, Written, flush, void
from transfer.engine.copy.source import SourceRead
from transfer.engine.copy.task import Task
from transfer.engine.medium import this_computer
from transfer.engine.sources import SourceFile


@pytest.fixture
def folder(tmp_path):
    pinned = this_computer().pin(tmp_path)
    yield pinned
    pinned.close()


def written(folder, name, content=b"content"):
    part = f"{name}.part"
    descriptor = folder.create_file(part)
    os.write(descriptor, content)
    task = Task(SourceFile("logs", name, len(content), 0, None), date(2026, 3, 14), f"data/logs/{name}")
    return Written(task, part, descriptor, SourceRead(len(content), 0, None, False, ()), Future())


def batch_of(folder, *names):
    batch = Batch(0)
    for name in names:
        batch.add(written(folder, name))
    return batch


def is_open(descriptor):
    try:
        os.fstat(descriptor)
    except OSError:
        return False
    return True


def test_a_batch_knows_what_it_holds(folder):
    batch = batch_of(folder, "a", "b")
    assert ([each.task.path for each in batch.files], batch.size_bytes) == (
        ["data/logs/a", "data/logs/b"],
        14,
    )
    void(batch, folder)


def test_all_files_of_a_batch_are_flushed_before_one_is_closed(folder, monkeypatch):
    batch = batch_of(folder, "a", "b")
    descriptors, flushed = [each.descriptor for each in batch.files], []
    real = type(folder).flush_files

    def flush_files(self, which):
        flushed.append([is_open(each) for each in which])
        real(self, which)

    monkeypatch.setattr(type(folder), "flush_files", flush_files)
    flush(batch, folder)
    assert flushed == [[True, True]]
    assert not any(map(is_open, descriptors))
    assert [each.descriptor for each in batch.files] == [-1, -1]


def test_a_batch_that_is_void_leaves_nothing_and_names_what_to_carry_again(folder, tmp_path):
    batch = batch_of(folder, "a", "b")
    descriptors = [each.descriptor for each in batch.files]
    assert void(batch, folder) == [each.task for each in batch.files]
    assert not any(map(is_open, descriptors))
    assert list(tmp_path.iterdir()) == []


def test_a_part_that_the_drive_does_not_let_go_of_keeps_no_other_from_being_removed(folder, tmp_path):
    batch = batch_of(folder, "a", "b")
    (tmp_path / "a.part").unlink()
    assert len(void(batch, folder)) == 2
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_closed_once(folder):
    one = written(folder, "a")
    one.close()
    taken = os.open(os.devnull, os.O_RDONLY)  # which may get the number that was let go of
    one.close()
    assert is_open(taken)
    os.close(taken)
