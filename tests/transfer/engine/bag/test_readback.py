"""A copy is read back past the caches and compared: equal, different or unreadable, never assumed."""

import errno
import os

import pytest
import xxhash

from tests.support.systems import need_links
from transfer.engine.bag import readback
from transfer.engine.bag.readback import GROUP_FILES, Copy, Outcome, read_back
from transfer.engine.medium import Evidence, ReadBack, this_computer


@pytest.fixture
def folder(tmp_path):
    pinned = this_computer().pin(tmp_path)
    yield pinned
    pinned.close()


def copy_of(tmp_path, name, content):
    (tmp_path / name).write_bytes(content)
    return Copy(name, len(content), xxhash.xxh3_128_hexdigest(content))


def outcomes(folder, copies, go_on=lambda: True):
    counted = []
    compared = list(read_back(folder, copies, counted.append, go_on))
    return [(each.copy.path, each.outcome) for each in compared], sum(counted)


@pytest.mark.parametrize("size", [0, 1, (1 << 20) - 1, 1 << 20, (2 << 20) + 1])
def test_what_is_as_it_was_written_is_equal_whatever_its_size(folder, tmp_path, size):
    copy = copy_of(tmp_path, "a", bytes(size))
    assert outcomes(folder, [copy]) == ([("a", Outcome.EQUAL)], size)


@pytest.mark.parametrize("changed", [b"Xbcdef", b"abcdefg", b"abcde", b""])
def test_any_change_is_different(folder, tmp_path, changed):
    copy = copy_of(tmp_path, "a", b"abcdef")
    (tmp_path / "a").write_bytes(changed)
    assert outcomes(folder, [copy])[0] == [("a", Outcome.DIFFERENT)]


def test_a_copy_that_is_not_there_is_unreadable_and_the_others_are_compared(folder, tmp_path):
    copies = [copy_of(tmp_path, name, b"content") for name in ("a", "b", "c")]
    (tmp_path / "b").unlink()
    assert [outcome for _, outcome in outcomes(folder, copies)[0]] == [
        Outcome.EQUAL,
        Outcome.UNREADABLE,
        Outcome.EQUAL,
    ]


@need_links
def test_a_link_in_its_place_is_not_followed(folder, tmp_path):
    copy = copy_of(tmp_path, "a", b"content")
    (tmp_path / "a").rename(tmp_path / "elsewhere")
    (tmp_path / "a").symlink_to("elsewhere")
    assert outcomes(folder, [copy])[0] == [("a", Outcome.UNREADABLE)]


def test_more_copies_than_a_group_are_all_compared(folder, tmp_path):
    copies = [copy_of(tmp_path, str(number), b"%d" % number) for number in range(GROUP_FILES + 3)]
    compared, _ = outcomes(folder, copies)
    assert compared == [(copy.path, Outcome.EQUAL) for copy in copies]


def test_when_it_has_to_end_what_was_not_read_is_not_told(folder, tmp_path):
    copies = [copy_of(tmp_path, str(number), b"content") for number in range(10)]
    left = iter([True] * 4)
    compared, _ = outcomes(folder, copies, go_on=lambda: next(left, False))
    assert 0 < len(compared) < 10
    assert {outcome for _, outcome in compared} == {Outcome.EQUAL}


# What a group is, and what is said of it


class Group:
    """A cold group that answers as it is told: `broken` gives an error by path."""

    def __init__(self, paths, broken):
        self.paths = list(paths)
        self._broken = broken

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def blocks(self, path):
        if path in self._broken:
            raise self._broken[path]
        yield memoryview(b"con")
        yield memoryview(b"tent")

    def evidence(self):
        return Evidence(ReadBack.MEDIUM, f"a group of {len(self.paths)}")


class Folder:
    """A pinned folder that keeps which groups were read, and after what."""

    def __init__(self, broken=()):
        self.acts = []
        self._broken = dict(broken)

    def chill(self):
        self.acts.append("chill")

    def cold(self, paths):
        self.acts.append(list(paths))
        return Group(paths, self._broken)


def the_same(*names, size_bytes=7):
    return [Copy(name, size_bytes, xxhash.xxh3_128_hexdigest(b"content")) for name in names]


def test_the_caches_are_emptied_once_and_before_anything_is_read():
    folder = Folder()
    list(read_back(folder, the_same(*map(str, range(GROUP_FILES + 1))), lambda count: None, lambda: True))
    assert folder.acts[0] == "chill"
    assert [len(group) for group in folder.acts[1:]] == [GROUP_FILES, 1]


@pytest.mark.parametrize(
    ("most_bytes", "groups"),
    [
        (13, [["a"], ["b"], ["c"]]),
        (14, [["a", "b"], ["c"]]),
        (20, [["a", "b"], ["c"]]),
        (3, [["a"], ["b"], ["c"]]),
    ],
)
def test_a_group_is_no_larger_than_what_may_lie_in_memory_at_once(monkeypatch, most_bytes, groups):
    monkeypatch.setattr(readback, "GROUP_BYTES", most_bytes)
    folder = Folder()
    list(read_back(folder, the_same("a", "b", "c"), lambda count: None, lambda: True))
    assert folder.acts[1:] == groups


def test_each_group_is_filled_anew(monkeypatch):
    monkeypatch.setattr(readback, "GROUP_BYTES", 14)
    folder = Folder()
    list(read_back(folder, the_same(*"abcdef"), lambda count: None, lambda: True))
    assert folder.acts[1:] == [["a", "b"], ["c", "d"], ["e", "f"]]


def test_each_copy_has_the_evidence_of_its_own_group(monkeypatch):
    monkeypatch.setattr(readback, "GROUP_BYTES", 14)
    compared = list(read_back(Folder(), the_same("a", "b", "c"), lambda count: None, lambda: True))
    assert [(each.copy.path, each.evidence.method, each.reason) for each in compared] == [
        ("a", "a group of 2", ""),
        ("b", "a group of 2", ""),
        ("c", "a group of 1", ""),
    ]


def test_a_copy_of_the_right_content_and_another_size_than_was_written_is_different():
    """What was to be written was longer: the digest is of the blocks that came."""
    (compared,) = read_back(Folder(), the_same("a", size_bytes=8), lambda count: None, lambda: True)
    assert compared.outcome is Outcome.DIFFERENT


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (OSError(errno.EIO, "Input/output error"), "Input/output error"),
        (OSError("no number and no words"), "no number and no words"),
    ],
)
def test_a_copy_that_cannot_be_read_is_unreadable_in_the_system_s_words(error, reason):
    folder = Folder({"b": error})
    compared = list(read_back(folder, the_same("a", "b", "c"), lambda count: None, lambda: True))
    assert [(each.outcome, each.reason) for each in compared] == [
        (Outcome.EQUAL, ""),
        (Outcome.UNREADABLE, reason),
        (Outcome.EQUAL, ""),
    ]


@pytest.mark.parametrize("number", [errno.ENODEV, errno.ENOTCONN, errno.ENXIO])
def test_a_drive_that_has_left_ends_the_read_back_and_accuses_no_file(number):
    folder = Folder({"b": OSError(number, os.strerror(number))})
    with pytest.raises(OSError, match=os.strerror(number)):
        list(read_back(folder, the_same("a", "b", "c"), lambda count: None, lambda: True))


def test_a_read_back_that_has_to_end_before_it_begins_opens_nothing():
    folder = Folder()
    assert list(read_back(folder, the_same("a", "b"), lambda count: None, lambda: False)) == []
    assert folder.acts == ["chill"]


def test_what_was_read_is_told_as_it_is_read():
    told = []
    list(read_back(Folder(), the_same("a", "b"), told.append, lambda: True))
    assert told == [3, 4, 3, 4]
