"""The journal gives back what was flushed to it, and nothing that a death or a bad drive made of it."""

import errno
import os
from datetime import date

import pytest

from manifests.bags.digests import Digests
from manifests.bags.entries import Entry
from transfer.engine.bag.journal import Journal, journal_entries, journal_line
from transfer.engine.medium import this_computer

PATH = "bag/nightferry/journal.jsonl"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "bag/nightferry").mkdir(parents=True)
    pinned = this_computer().pin(tmp_path)
    yield pinned
    pinned.close()


@pytest.fixture
def journal(folder):
    journal = Journal(folder, "bag")
    yield journal
    journal.close()


def entry(number):
    digests = Digests(f"{number:064}", f"{number:032}")
    return Entry(f"data/logs/{number}.log", number, digests, 0, "logs", f"{number}.log", date(2026, 3, 14))


def read(folder):
    return list(journal_entries(folder, PATH))


def test_each_line_is_found_where_it_starts(folder, journal):
    starts = [*journal.begin([entry(1)]), *journal.append([entry(2), entry(3)]), *journal.append([entry(4)])]
    assert read(folder) == list(zip(starts, map(entry, (1, 2, 3, 4)), strict=True))


def test_it_begins_anew_with_what_is_kept(folder, journal):
    journal.begin([])
    journal.append([entry(1), entry(2)])
    journal.begin([entry(2)])
    journal.append([entry(3)])
    assert [each for _, each in read(folder)] == [entry(2), entry(3)]


def test_its_end_is_that_it_is_gone(folder, journal):
    journal.begin([entry(1)])
    journal.end()
    assert folder.stat(PATH) is None
    assert read(folder) == []


@pytest.mark.parametrize("cut", [1, 30, 200])
def test_a_last_line_that_was_cut_is_no_line(folder, tmp_path, cut):
    whole = journal_line(entry(1)) + journal_line(entry(2))
    (tmp_path / PATH).write_bytes(whole[:-cut])
    assert [each for _, each in read(folder)] == [entry(1)]


def test_a_line_that_the_drive_changed_is_no_line(folder, tmp_path):
    line = journal_line(entry(2))
    for place in range(len(line) - 1):
        changed = line[:place] + bytes([line[place] ^ 1]) + line[place + 1 :]
        (tmp_path / PATH).write_bytes(journal_line(entry(1)) + changed + journal_line(entry(3)))
        assert entry(2) not in [each for _, each in read(folder)], place
        assert (0, entry(1)) in read(folder)


class FailsOnce:
    """A pinned folder whose flush of files fails once, after the bytes were written."""

    def __init__(self, folder):
        self._folder = folder
        self.fails = False

    def __getattr__(self, name):
        return getattr(self._folder, name)

    def flush_files(self, descriptors):
        if self.fails:
            self.fails = False
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        self._folder.flush_files(descriptors)


def test_an_append_that_fails_leaves_no_trace_and_the_next_is_found(folder):
    failing = FailsOnce(folder)
    journal = Journal(failing, "bag")
    first = journal.begin([entry(1)])
    failing.fails = True
    with pytest.raises(OSError, match="rror"):
        journal.append([entry(2)])
    second = journal.append([entry(3)])
    journal.close()
    assert read(folder) == [(first[0], entry(1)), (second[0], entry(3))]
