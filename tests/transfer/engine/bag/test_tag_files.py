"""One tag file more, or less, in a bag that stays as it is otherwise."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from manifests.bags.entries import EntryError
from manifests.bags.paths import ENTRIES, TAG_MANIFEST, acknowledgement_of
from tests.support.nights import Computer, assert_valid, prepared
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.tag_files import pinned_tag_files, put_tag_file, remove_tag_file
from transfer.engine.medium import this_computer

PATH = acknowledgement_of("00000000-0000-4000-8000-000000000001")


@pytest.fixture
def bag(tmp_path: Path) -> Iterator[ListedBag]:
    """Return a night's bag on a drive."""
    computer = Computer(tmp_path / "night")
    stick = prepared(tmp_path / "stick", "Larch stick")
    computer.small_night()
    computer.send(stick)
    folder = this_computer().pin(stick)
    yield ListedBag(folder, "2026-03-14")
    folder.close()


def whole(bag: ListedBag) -> Path:
    return bag.folder.path / bag.path


def test_a_tag_file_is_put_beside_the_others_and_listed(bag: ListedBag):
    before = pinned_tag_files(bag)
    put_tag_file(bag, PATH, b"one\n")
    put_tag_file(bag, PATH, b"two\n")
    assert (whole(bag) / PATH).read_bytes() == b"two\n"
    assert pinned_tag_files(bag).keys() == before.keys() | {PATH}
    assert_valid(whole(bag))


def test_a_tag_file_that_is_removed_is_listed_no_more_and_all_else_is_as_it_was(bag: ListedBag):
    before = (whole(bag) / TAG_MANIFEST).read_bytes()
    put_tag_file(bag, PATH, b"one\n")
    remove_tag_file(bag, PATH)
    assert not (whole(bag) / PATH).exists()
    assert (whole(bag) / TAG_MANIFEST).read_bytes() == before
    assert_valid(whole(bag))


def test_a_tag_manifest_whose_lines_end_as_on_windows_says_what_it_said(bag: ListedBag):
    """An editor there may store it so, and RFC 8493 allows it."""
    before = pinned_tag_files(bag)
    tags = whole(bag) / TAG_MANIFEST
    tags.write_bytes(tags.read_bytes().replace(b"\n", b"\r\n"))
    assert pinned_tag_files(bag) == before
    entries = whole(bag) / ENTRIES
    content = entries.read_bytes()
    entries.write_bytes(content.replace(b"Ha", b"Hb"))
    with pytest.raises(EntryError, match="not the lines that"):
        list(bag.entries())
    entries.write_bytes(content)
    put_tag_file(bag, PATH, b"one\n")
    assert_valid(whole(bag))


def test_what_a_list_is_pinned_as_stays_where_the_list_has_changed(bag: ListedBag):
    """A damaged list must go on contradicting its digest, whatever is added to the bag."""
    entries = whole(bag) / "nightferry/entries.jsonl"
    pinned = pinned_tag_files(bag)["nightferry/entries.jsonl"]
    entries.write_bytes(entries.read_bytes() + b"\n")
    put_tag_file(bag, PATH, b"one\n")
    remove_tag_file(bag, PATH)
    assert pinned_tag_files(bag)["nightferry/entries.jsonl"] == pinned
