"""What this computer remembers is used where it fits, lost without harm, and never in the way of a run."""

import os
import time
from datetime import UTC, date, datetime, timedelta

import pytest

from manifests.bags.digests import Digests
from manifests.bags.entries import Entry
from transfer.engine.bag.listed import known_of
from transfer.engine.records import Records

NIGHT = date(2026, 3, 14)
DRIVE = "0e1c9d2a-6d1f-4c1e-9d53-0c9d7f5a1b11"


def entry(name="light.fits", path=None):
    digests = Digests("0" * 64, "1" * 32)
    return Entry(path or f"data/frames/{name}", 7, digests, 99, "frames", name, NIGHT)


def remember(records, *entries, fingerprint="a tag manifest\n"):
    memory = records.remember_bag(DRIVE, NIGHT)
    for each in entries:
        memory.add(each, own=True)
    memory.keep(fingerprint)


def test_a_bag_is_remembered_in_its_order(tmp_path):
    records = Records(tmp_path)
    listed = [entry("b.fits"), entry("a.fits"), entry("a.fits", "data/frames/a (2).fits")]
    remember(records, *listed)
    expected = [((each.source, each.original), known_of(each, own=True)) for each in listed]
    assert records.bag(DRIVE, NIGHT, "a tag manifest\n") == expected


def test_what_was_read_here_is_remembered_though_the_bag_has_changed_since(tmp_path):
    records = Records(tmp_path)
    memory = records.remember_bag(DRIVE, NIGHT)
    memory.add(entry("a.fits"), own=True)
    memory.add(entry("b.fits"), own=False)
    memory.keep("a tag manifest\n")
    assert records.own_in_bag(DRIVE, NIGHT) == {("data/frames/a.fits", "0" * 64)}
    assert records.own_in_bag("another drive", NIGHT) == set()


def test_a_bag_that_has_changed_is_not_remembered(tmp_path):
    records = Records(tmp_path)
    remember(records, entry())
    assert records.bag(DRIVE, NIGHT, "another tag manifest\n") is None
    assert records.bag(DRIVE, date(2026, 3, 15), "a tag manifest\n") is None
    assert records.bag("another drive", NIGHT, "a tag manifest\n") is None


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"format":99}', b'{"format":1,"files":[[1]]}'])
def test_a_memory_that_is_damaged_is_none(tmp_path, content):
    records = Records(tmp_path)
    remember(records, entry())
    (path,) = (tmp_path / "bags" / DRIVE).iterdir()
    path.write_bytes(content)
    assert records.bag(DRIVE, NIGHT, "a tag manifest\n") is None


def test_what_was_not_kept_leaves_nothing(tmp_path):
    records = Records(tmp_path)
    memory = records.remember_bag(DRIVE, NIGHT)
    memory.add(entry(), own=True)
    memory.drop()
    memory.drop()
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_nights_of_frames_are_those_of_one_longitude(tmp_path):
    records = Records(tmp_path)
    seen = {"frames": {"not \udcff unicode.fits": [1, 2, "2026-03-14", True]}}
    records.keep_nights(-1.9, seen)
    assert records.nights(-1.9) == seen
    assert records.nights(7.5) == {}


def test_receipts_are_kept_by_their_time(tmp_path):
    records = Records(tmp_path)
    moment = datetime(2026, 3, 15, 6, 30, tzinfo=UTC)
    kept = records.keep_receipt("SAFE.\n", moment)
    assert kept == tmp_path / "receipts/2026-03-15T063000Z.txt"
    assert kept.read_text() == "SAFE.\n"


def test_a_computer_that_takes_no_records_can_still_send(tmp_path):
    in_the_way = tmp_path / "records"
    in_the_way.write_text("a file where the folder should be")
    records = Records(in_the_way)
    remember(records, entry())
    records.keep_nights(0, {})
    assert records.keep_receipt("text", datetime.now(UTC)) is None
    assert records.bag(DRIVE, NIGHT, "a tag manifest\n") is None
    assert records.nights(0) == {}


def test_a_folder_that_fails_while_it_is_written_to_costs_no_run(tmp_path):
    """What was sent is proven by then: a record that cannot even be taken away must not end the run."""
    records = Records(tmp_path / "records")
    memory = records.remember_bag(DRIVE, NIGHT)
    memory.add(entry(), own=True)
    (tmp_path / "records").rename(tmp_path / "gone")
    (tmp_path / "records").write_text("what came in its place")
    memory.keep("a tag manifest\n")
    memory.drop()
    assert records.bag(DRIVE, NIGHT, "a tag manifest\n") is None


# What grows

YEARS_AGO = datetime(2023, 3, 1, 5, tzinfo=UTC)


def receipts(folder):
    return sorted(path.name for path in (folder / "receipts").iterdir())


def test_receipts_of_more_than_two_years_ago_go(tmp_path):
    records = Records(tmp_path)
    for day in range(800):
        records.keep_receipt("old", YEARS_AGO + timedelta(days=day))
    kept = receipts(tmp_path)
    assert kept[0] == "2023-05-09T050000Z.txt"  # 730 days before the last
    assert len(kept) == 731


def test_a_clock_far_in_the_future_takes_no_new_receipts_away(tmp_path):
    records = Records(tmp_path)
    for day in range(60):
        records.keep_receipt("kept", YEARS_AGO + timedelta(days=day))
    records.keep_receipt("of a clock gone wrong", datetime(2099, 1, 1, tzinfo=UTC))
    assert len(receipts(tmp_path)) == 61


def test_a_persons_own_file_among_the_receipts_stays(tmp_path):
    records = Records(tmp_path)
    (tmp_path / "receipts").mkdir()
    (tmp_path / "receipts" / "1999 notes.txt").write_text("mine")
    for day in range(150):
        records.keep_receipt("new", YEARS_AGO + timedelta(days=day))
    assert "1999 notes.txt" in receipts(tmp_path)


def test_parts_of_dead_runs_go_with_the_next_receipt_and_those_at_work_stay(tmp_path):
    records = Records(tmp_path)
    remember(records, entry())
    folder = tmp_path / "bags" / DRIVE
    for name, hours in (("a.json.4711.part", 30), ("b.json.4712.part", 1), ("notes.part", 30)):
        (folder / name).write_text("half")
        then = time.time() - hours * 3600
        os.utime(folder / name, (then, then))
    records.keep_receipt("done", YEARS_AGO)
    assert sorted(path.name for path in folder.iterdir()) == [
        f"{NIGHT}.json",
        "b.json.4712.part",
        "notes.part",
    ]


def test_a_killed_run_leaves_a_part_that_the_next_one_knows(tmp_path):
    memory = Records(tmp_path).remember_bag(DRIVE, NIGHT)
    memory.add(entry(), own=True)
    (part,) = (tmp_path / "bags" / DRIVE).iterdir()
    memory.drop()  # Windows removes nothing that is held open, and who was killed holds nothing
    part.write_text("half", encoding="utf-8")
    os.utime(part, (1e9, 1e9))
    Records(tmp_path).remove_dead_parts()
    assert not part.exists()
