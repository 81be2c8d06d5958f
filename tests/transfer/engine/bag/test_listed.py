"""A bag as it lies on a drive: what it lists is believed only where it is what was written."""

import hashlib
import json

import pytest

from transfer.engine.bag.listed import Known, ListedBag, known_of

from .conftest import entry_of


def rewrite(bag, change):
    """Change the entries behind the bag's back."""
    path = bag.path / "nightferry/entries.jsonl"
    lines = change(path.read_bytes().splitlines(keepends=True))
    path.write_bytes(b"".join(lines))


def pin(bag):
    """Have the tag manifest say that the entries are as they are."""
    entries = hashlib.sha256((bag.path / "nightferry/entries.jsonl").read_bytes()).hexdigest()
    pins = bag.path / "tagmanifest-sha256.txt"
    lines = [line for line in pins.read_text().splitlines() if not line.endswith("entries.jsonl")]
    pins.write_text("\n".join([*lines, f"{entries}  nightferry/entries.jsonl", ""]))


def test_a_bag_that_is_not_there_lists_nothing_and_is_whole(bag):
    listed = bag.listed()
    assert (listed.known, listed.paths, listed.damage, listed.unfinished) == ({}, set(), "", False)
    assert (listed.fingerprint(), listed.left_whole()) == (None, {})


def test_what_it_lists_is_known_by_its_source(bag):
    bag.finish(a=b"content")
    listed = bag.listed()
    known = listed.known["logs", "a"]
    assert (known.path, known.size_bytes, known.own) == ("data/logs/a", 7, False)
    assert known.sha256 == hashlib.sha256(b"content").hexdigest()
    assert listed.paths == {"data/logs/a"}


def test_who_says_what_this_computer_has_read_itself_is_asked_for_each_entry(bag):
    bag.finish(a=b"content", b=b"more")
    listed, seen = ListedBag(bag.folder, "2026-03-14"), []
    listed.load(lambda entry: seen.append(entry.path), lambda entry: entry.original == "b")
    assert {origin[1]: known.own for origin, known in listed.known.items()} == {"a": False, "b": True}
    assert sorted(seen) == ["data/logs/a", "data/logs/b"]


def test_of_two_contents_under_one_name_the_later_is_the_newest(bag):
    listed = ListedBag(bag.folder, "2026-03-14")
    first, second = (known_of(entry_of("a", content)) for content in (b"one", b"two"))
    listed.recall([(("logs", "a"), first), (("logs", "a"), second)])
    assert listed.versions(("logs", "a")) == [second, first]
    assert listed.versions(("logs", "b")) == []


@pytest.mark.parametrize(
    ("change", "damage"),
    [
        (lambda lines: [b"no entry\n"], "line 1"),
        (lambda lines: lines[:1], "not the lines"),
        (lambda lines: [*lines, lines[0].replace(b"logs/a", b"logs/c")], "not the lines"),
        (lambda lines: [], "not the lines"),
    ],
)
def test_a_list_that_is_not_what_was_written_is_left_out_whole(bag, change, damage):
    bag.finish(a=b"content", b=b"more")
    rewrite(bag, change)
    listed = bag.listed()
    assert damage in listed.damage
    assert (listed.known, listed.paths) == ({}, set())


def test_a_bag_with_a_manifest_and_no_entries_is_damaged(bag):
    bag.finish(a=b"content")
    (bag.path / "nightferry/entries.jsonl").unlink()
    assert "no nightferry/entries.jsonl" in bag.listed().damage


@pytest.mark.parametrize(
    "path",
    ["../elsewhere/a", "data/../../a", "/data/a", "data//a", "manifest-sha256.txt", "data", "data/a\\b"],
)
def test_a_path_that_leads_out_of_the_payload_is_no_entry(bag, path):
    bag.finish(a=b"content")

    def lead_out(lines):
        line = json.loads(lines[0])
        return [json.dumps(line | {"path": path}).encode() + b"\n"]

    rewrite(bag, lead_out)
    pin(bag)
    listed = bag.listed()
    assert listed.damage
    assert listed.paths == set()


def test_damage_that_came_after_the_list_was_recalled_is_found_by_reading_it(bag):
    bag.finish(a=b"content")
    listed = ListedBag(bag.folder, "2026-03-14")
    listed.recall([(("logs", "a"), Known("data/logs/a", 7, 0, False, "", "", True))])
    assert listed.holds()
    rewrite(bag, lambda lines: [lines[0].replace(b"logs", b"l0gs")])
    assert not listed.holds()
    assert (listed.damage != "", listed.known) == (True, {})


def test_between_two_renames_a_bag_is_torn(bag):
    bag.finish(a=b"content")
    assert not bag.listed().is_torn
    (bag.path / "tagmanifest-sha256.txt").unlink()
    assert bag.listed().is_torn


def test_what_an_earlier_run_left_whole_is_what_the_journal_has_and_the_list_has_not(bag):
    bag.finish(a=b"content")
    opened = bag.begin()
    opened.take([bag.arrival("b", b"more"), bag.arrival("c", b"cut short")])
    (bag.path / "data/logs/c").write_bytes(b"cut")
    listed = bag.listed()
    assert listed.unfinished
    assert sorted(listed.left_whole()) == ["data/logs/b"]


def test_a_free_name_is_as_near_to_the_wanted_one_as_there_is(bag):
    bag.finish(a=b"content")
    listed = bag.listed()
    assert listed.claim("data/logs/b") == "data/logs/b"
    other = listed.claim("data/logs/A")  # one file on many drives
    assert other.lower() != "data/logs/a"
    assert other.startswith("data/logs/")


def test_a_bag_that_is_set_aside_overwrites_no_other(bag):
    for number in (1, 2):
        bag.finish(a=b"content %d" % number)
        assert bag.listed().set_aside() == {""}
    for number in (1, 2):
        aside = bag.root / f"2026-03-14 (set aside {number})"
        assert (aside / "data/logs/a").read_bytes() == b"content %d" % number
