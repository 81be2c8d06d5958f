"""A bag that grows: at any instant its manifest lists only what lies there whole and proven."""

import errno

import pytest

from transfer.engine.bag.journal import journal_entries

from .conftest import prove


def journal(bag):
    return [entry.path for _, entry in journal_entries(bag.folder, "2026-03-14/nightferry/journal.jsonl")]


def test_a_file_gets_its_name_after_its_line_in_the_journal(bag, monkeypatch):
    opened = bag.begin()
    seen = []
    real = type(bag.folder).give_name

    def give_name(self, part, path):
        seen.append(journal(bag))
        return real(self, part, path)

    monkeypatch.setattr(type(bag.folder), "give_name", give_name)
    opened.take([bag.arrival("a", b"content")])
    assert seen == [["data/logs/a"]]
    assert bag.has("a") == b"content"
    assert not (bag.path / "manifest-sha256.txt").exists()


def test_what_is_proven_is_listed_and_a_finished_bag_has_no_journal(bag):
    opened = bag.finish(a=b"content", b=b"more")
    assert sorted(bag.manifest()) == ["data/logs/a", "data/logs/b"]
    assert not (bag.path / "nightferry/journal.jsonl").exists()
    assert opened.brought == {"data/logs/a", "data/logs/b"}


def test_an_unfinished_bag_keeps_its_journal_and_lists_what_is_proven(bag):
    opened = bag.begin()
    opened.take([bag.arrival("a", b"content")])
    prove(opened)
    opened.take([bag.arrival("b", b"more")])
    opened.publish(False, lambda: lambda entry: None)
    assert sorted(bag.manifest()) == ["data/logs/a"]
    assert journal(bag) == ["data/logs/a", "data/logs/b"]


def test_what_a_dead_run_left_whole_waits_to_be_proven_and_its_parts_go(bag):
    opened = bag.begin()
    opened.take([bag.arrival("a", b"content")])
    bag.arrival("b", b"half of")
    opened = bag.begin()
    assert opened.proofs.unproven == ["data/logs/a"]
    assert not list((bag.path / "nightferry/incoming").glob("*.part"))
    assert opened.brought == set()


def test_what_a_dead_run_left_cut_short_is_not_taken_over(bag):
    bag.begin().take([bag.arrival("a", b"content")])
    (bag.path / "data/logs/a").write_bytes(b"cont")
    assert bag.begin().proofs.unproven == []
    assert journal(bag) == []


def test_a_listed_file_leaves_the_manifest_before_its_place_is_taken(bag, monkeypatch):
    bag.finish(a=b"22:00\n", b=b"other\n")
    opened, seen = bag.begin(), []
    real = type(bag.folder).replace

    def replace(self, part, path):
        if path.endswith("/logs/a"):
            seen.append(sorted(bag.manifest()))
        real(self, part, path)

    monkeypatch.setattr(type(bag.folder), "replace", replace)
    opened.take([bag.arrival("a", b"22:00\n22:01\n", replaces=True)])
    assert seen == [["data/logs/b"]]
    prove(opened)
    opened.publish(True, lambda: lambda entry: None)
    assert sorted(bag.manifest()) == ["data/logs/a", "data/logs/b"]
    assert bag.has("a") == b"22:00\n22:01\n"


def test_a_stranger_in_a_file_s_place_is_set_aside_and_never_overwritten(bag):
    opened = bag.begin()
    for number in (1, 2):
        (bag.path / "data/logs").mkdir(exist_ok=True)
        (bag.path / "data/logs" / f"{number}").write_bytes(b"somebody's own")
        opened.take([bag.arrival(f"{number}", b"content")])
    aside = bag.path / "nightferry/set-aside"
    assert sorted(path.name for path in aside.iterdir()) == ["1 1", "1 2"]
    assert {path.read_bytes() for path in aside.iterdir()} == {b"somebody's own"}
    assert (bag.has("1"), bag.has("2")) == (b"content", b"content")


def test_files_of_one_name_are_set_aside_beside_each_other(bag):
    opened = bag.begin()
    for content in (b"one", b"two"):
        (bag.path / "data/logs").mkdir(exist_ok=True)
        (bag.path / "data/logs/a").write_bytes(content)
        opened.set_aside("data/logs/a")
    aside = bag.path / "nightferry/set-aside"
    assert {path.name: path.read_bytes() for path in aside.iterdir()} == {"1 a": b"one", "2 a": b"two"}


def test_a_name_that_the_drive_refuses_concerns_no_other_file(bag, monkeypatch):
    opened, refused = bag.begin(), []
    real = type(bag.folder).give_name

    def give_name(self, part, path):
        if path.endswith("/logs/bad"):
            raise OSError(errno.EINVAL, "Invalid argument")
        return real(self, part, path)

    monkeypatch.setattr(type(bag.folder), "give_name", give_name)
    coming = [bag.arrival("bad", b"content"), bag.arrival("good", b"content")]
    opened.take(coming, lambda arrival, error: refused.append((arrival.entry.path, error.errno)))
    assert refused == [("data/logs/bad", errno.EINVAL)]
    assert (bag.has("good"), opened.proofs.unproven) == (b"content", ["data/logs/good"])


def test_an_error_that_is_no_refusal_of_a_name_is_raised(bag, monkeypatch):
    opened = bag.begin()
    monkeypatch.setattr(type(bag.folder), "give_name", _fails(errno.EIO))
    with pytest.raises(OSError, match="made by a test"):
        opened.take([bag.arrival("a", b"content")], lambda arrival, error: pytest.fail("refused"))


def _fails(number):
    def call(*_):
        raise OSError(number, "made by a test")

    return call


@pytest.mark.parametrize("source_is_there", [True, False])
def test_a_copy_that_is_given_up_is_removed_only_where_its_source_is_still_there(bag, source_is_there):
    opened = bag.begin()
    opened.take([bag.arrival("a", b"content")])
    opened.give_up("data/logs/a", source_is_there)
    aside = bag.path / "nightferry/set-aside/1 a"
    assert (bag.has("a"), aside.exists()) == (None, not source_is_there)
    assert "data/logs/a" not in opened.proofs


def test_what_is_lost_is_listed_no_more(bag):
    bag.finish(a=b"content", b=b"more")
    (bag.path / "data/logs/a").unlink()
    bag.begin(lost=("data/logs/a",))
    assert sorted(bag.manifest()) == ["data/logs/b"]


def test_on_a_full_drive_the_journal_has_the_space_that_was_kept(bag, monkeypatch):
    opened = bag.begin()
    real, asked = type(opened.journal).append, []

    def append(self, entries):
        asked.append(opened.lists.has_reserve)
        if len(asked) == 1:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(self, entries)

    monkeypatch.setattr(type(opened.journal), "append", append)
    opened.take([bag.arrival("a", b"content")])
    assert asked == [True, False]
    assert opened.proofs.unproven == ["data/logs/a"]


def test_a_bag_whose_list_is_damaged_is_set_aside_whole(bag):
    bag.finish(a=b"content")
    (bag.path / "nightferry/entries.jsonl").write_bytes(b"no entry\n")
    opened = bag.begin()
    aside = bag.root / "2026-03-14 (set aside 1)"
    assert (aside / "data/logs/a").read_bytes() == b"content"
    assert (opened.listed.damage, bag.has("a")) == ("", None)


def test_where_a_file_came_from_is_read_from_the_journal(bag):
    opened = bag.begin()
    opened.take([bag.arrival("a", b"content"), bag.arrival("b", b"more")])
    assert opened.origins({"data/logs/b"}) == {"data/logs/b": ("logs", "b")}


def test_where_the_journal_reads_back_wrong_a_path_says_where_its_file_came_from(bag):
    opened = bag.begin()
    opened.take([bag.arrival("a", b"content"), bag.arrival("b", b"more")])
    path = bag.path / "nightferry/journal.jsonl"
    path.write_bytes(path.read_bytes().replace(b"data/logs/a", b"data/logs/x"))
    assert opened.origins({"data/logs/a", "data/logs/b"}) == {
        "data/logs/a": ("logs", "a"),
        "data/logs/b": ("logs", "b"),
    }
