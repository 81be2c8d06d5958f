"""A copy is read back past the caches and compared: equal, different or unreadable, never assumed."""

import pytest
import xxhash

from transfer.engine.medium import this_computer
from transfer.engine.readback import GROUP_FILES, Copy, Outcome, read_back


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
