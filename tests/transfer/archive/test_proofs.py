"""A bag's last readings: kept in a tag file that grows, and believed only as the tag manifest lists it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from manifests.bags.kept_proofs import KeptProof
from tests.support.archives import log, write_bag
from transfer.archive.proofs import DAMAGED_PATH, PATH, KeptProofs
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.tag_files import put_tag_file, put_tag_files
from transfer.engine.medium import this_computer

NOON = datetime(2026, 3, 15, 12, tzinfo=UTC)
FIRST = KeptProof(3, 5, NOON, True)
LATER = KeptProof(4, 6, NOON.replace(hour=18), False)


@pytest.fixture
def bag(tmp_path: Path) -> Iterator[ListedBag]:
    """Return a bag with one listed file that is not there: only its lists count here."""
    write_bag(tmp_path / "bag", [log("mount.log")])
    folder = this_computer().pin(tmp_path)
    yield ListedBag(folder, "bag")
    folder.close()


def keep(bag: ListedBag, path: str, proof: KeptProof) -> bytes:
    kept = KeptProofs(bag)
    kept.add(path, proof)
    contents = kept.contents
    put_tag_files(bag, contents)
    kept.note_written(contents)
    assert kept.contents == {}
    assert kept.of(path) == proof
    return contents[PATH]


def test_a_bag_without_a_record_proves_nothing_and_has_nothing_to_write(bag: ListedBag):
    kept = KeptProofs(bag)
    assert kept.of("data/mount.log") is None
    assert kept.contents == {}


def test_what_one_run_keeps_the_next_one_reads_and_adds_to(bag: ListedBag):
    first = keep(bag, "data/a", FIRST)
    second = keep(bag, "data/a", LATER)
    assert second.startswith(first)
    assert KeptProofs(bag).of("data/a") == LATER


def test_a_record_that_the_tag_manifest_does_not_list_so_proves_nothing_and_is_begun_anew(
    bag: ListedBag, tmp_path: Path
):
    keep(bag, "data/a", FIRST)
    record = tmp_path / "bag" / PATH
    record.write_bytes(record.read_bytes().replace(b"[3, 5]", b"[9, 9]"))
    assert KeptProofs(bag).of("data/a") is None
    content = keep(bag, "data/b", LATER)
    assert b"[9, 9]" not in content
    assert KeptProofs(bag).of("data/a") is None
    tags = (tmp_path / "bag/tagmanifest-sha256.txt").read_text()
    assert f"{hashlib.sha256(content).hexdigest()}  {PATH}\n" in tags


def test_a_proof_that_was_dropped_does_not_count_until_there_is_another(bag: ListedBag):
    keep(bag, "data/a", FIRST)
    kept = KeptProofs(bag)
    kept.drop("data/a")
    assert kept.of("data/a") is None
    kept.add("data/a", LATER)
    assert kept.of("data/a") == LATER


def test_a_record_with_lines_that_are_none_is_read_as_far_as_it_goes(bag: ListedBag):
    content = keep(bag, "data/a", FIRST)
    put_tag_file(bag, PATH, b"none of ours\n" + content)
    assert KeptProofs(bag).of("data/a") == FIRST


def write(bag: ListedBag, kept: KeptProofs) -> None:
    put_tag_files(bag, kept.contents)
    kept.note_written(kept.contents)


def test_a_file_that_was_found_damaged_has_no_proof_until_it_holds_again(bag: ListedBag):
    keep(bag, "data/a", FIRST)
    kept = KeptProofs(bag)
    kept.add_damage("data/a", "other content", NOON)
    assert kept.of("data/a") is None
    write(bag, kept)
    again = KeptProofs(bag)
    assert (again.of("data/a"), dict(again.damaged)) == (None, {"data/a": "other content"})
    assert again.last_read_utc("data/a") == NOON
    again.add("data/a", LATER)
    write(bag, again)
    whole = KeptProofs(bag)
    assert (whole.of("data/a"), dict(whole.damaged)) == (LATER, {})


def test_a_record_of_damage_that_is_not_as_listed_takes_every_proof_with_it(bag: ListedBag, tmp_path: Path):
    """Whoever loses the record of damage must not get the proofs from before it back."""
    keep(bag, "data/a", FIRST)
    kept = KeptProofs(bag)
    kept.add_damage("data/a", "other content", NOON)
    write(bag, kept)
    (tmp_path / "bag" / DAMAGED_PATH).unlink()
    assert KeptProofs(bag).of("data/a") is None
    keep(bag, "data/b", LATER)
    again = KeptProofs(bag)
    assert (again.of("data/a"), again.of("data/b")) == (None, LATER)


def test_a_record_that_grew_very_long_is_begun_anew_with_what_holds_now(
    bag: ListedBag, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("transfer.archive.proofs._GROWS_TO_BYTES", 300)
    for hour in range(8):
        keep(bag, "data/a", FIRST._replace(read_utc=NOON.replace(hour=hour)))
        content = keep(bag, "data/b", LATER._replace(read_utc=NOON.replace(hour=hour)))
    assert len(content) < 700
    assert KeptProofs(bag).of("data/a").read_utc.hour == 7
