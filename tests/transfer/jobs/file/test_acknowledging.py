"""The archive's word on the drive: what it says, that the bag stays valid, and that `send` keeps it."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import replace
from pathlib import Path

import pytest

from manifests.bags.acknowledgement import read_acknowledgement
from manifests.bags.acknowledgement_keys import Signed, signed
from manifests.findings import FindingKind
from tests.support.desks import NOON, Desk, fingerprint
from tests.support.nights import Computer, assert_valid, noise, prepared
from transfer.archive.contents import holdings_of
from transfer.archive.held import OpenArchive
from transfer.archive.standing import Standing
from transfer.engine.bag.listed import ListedBag
from transfer.engine.drive import MARK_NAME
from transfer.engine.drive_key import KEY_NAME
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.events import Event, PhaseEnded
from transfer.jobs.file.acknowledging import NotAcknowledged, acknowledge


def word(stick: Path, night: str = "2026-03-14") -> dict:
    (found,) = (stick / night / "nightferry").glob("acknowledgement-*.json")
    return json.loads(found.read_bytes())


def test_the_word_names_the_archive_and_every_file_by_its_digest(computer: Computer, stick: Path, desk: Desk):
    computer.small_night()
    computer.send(stick)
    outcome = desk.file(stick)
    told = word(stick)
    assert told["archive"] == {"id": outcome.archive.id, "name": "archive"}
    assert told["acknowledged"] == "2026-03-15T12:00:00+00:00"
    manifest = (stick / "2026-03-14/manifest-sha256.txt").read_bytes()
    assert told["manifest_sha256"] == hashlib.sha256(manifest).hexdigest()
    assert {(file["path"], file["sha256"]) for file in told["files"]} == {
        tuple(reversed(line.split("  ", 1))) for line in manifest.decode().splitlines()
    }
    for file in told["files"]:
        content = (desk.archive / file["to"]).read_bytes()
        assert hashlib.sha256(content).hexdigest() == file["sha256"]
        source = computer.root / "computer" / file["source"] / file["original"]
        assert source.read_bytes() == content
        assert file["size_bytes"] == len(content)
    assert_valid(stick / "2026-03-14")


def test_files_that_were_there_already_are_acknowledged_too(computer: Computer, stick: Path, desk: Desk):
    computer.small_night()
    desk.file(computer.frames)
    computer.send(stick)
    outcome = desk.file(stick)
    assert (outcome.filed, outcome.already_there) == (2, 3)
    assert len(word(stick)["files"]) == 5


def test_send_keeps_the_word_in_the_bag_when_it_adds_to_it(computer: Computer, stick: Path, desk: Desk):
    computer.small_night()
    computer.send(stick)
    desk.file(stick)
    before = word(stick)
    computer.frame("late.fits", data=noise(100, 9))
    computer.append(computer.logs / "mount.log", b"more\n")
    assert computer.send(stick).exit_code == 0
    assert_valid(stick / "2026-03-14")
    assert word(stick) == before
    tags = (stick / "2026-03-14/tagmanifest-sha256.txt").read_text()
    assert f"nightferry/acknowledgement-{before['archive']['id']}.json" in tags
    outcome = desk.file(stick)
    assert (outcome.filed, outcome.exit_code) == (2, 0)
    assert len(word(stick)["files"]) == 6
    assert_valid(stick / "2026-03-14")


def test_two_archives_both_have_their_word(computer: Computer, stick: Path, desk: Desk, tmp_path: Path):
    computer.small_night()
    computer.send(stick)
    desk.file(stick)
    other = Desk(tmp_path / "other")
    outcome = other.file(stick)
    assert outcome.deliveries[0].acknowledged
    assert len(list((stick / "2026-03-14/nightferry").glob("acknowledgement-*.json"))) == 2
    assert_valid(stick / "2026-03-14")
    before = fingerprint(stick)
    assert desk.file(stick).deliveries[0].acknowledged
    assert fingerprint(stick) == before


def test_a_drive_that_another_run_is_at_work_on_is_filed_and_not_written_to(
    computer: Computer, stick: Path, desk: Desk
):
    computer.small_night()
    computer.send(stick)
    before = fingerprint(stick)
    lock = this_computer().lock(stick / MARK_NAME)
    try:
        outcome = desk.file(stick)
    finally:
        os.close(lock)
    assert (outcome.filed, outcome.exit_code) == (5, 0)
    assert not outcome.deliveries[0].acknowledged
    assert FindingKind.NOT_ACKNOWLEDGED in [finding.kind for finding in outcome.all_findings()]
    assert fingerprint(stick) == before
    assert desk.file(stick).deliveries[0].acknowledged


def test_a_bag_that_changes_while_it_is_filed_is_not_acknowledged(
    computer: Computer, stick: Path, desk: Desk
):
    computer.small_night()
    computer.send(stick)

    def send_more(event: Event) -> None:
        if isinstance(event, PhaseEnded):
            computer.frame("late.fits", data=noise(100, 9))
            computer.send(stick)

    outcome = desk.file(stick, listen=send_more)
    assert (outcome.filed, outcome.exit_code) == (5, 0)
    assert not outcome.deliveries[0].acknowledged
    assert "has changed since it was read" in outcome.deliveries[0].unanswered
    assert desk.file(stick).deliveries[0].acknowledged


def test_a_bag_that_is_on_no_drive_is_filed_and_not_written_to(
    computer: Computer, stick: Path, desk: Desk, tmp_path: Path
):
    computer.small_night()
    computer.send(stick)
    (stick / MARK_NAME).unlink()
    before = fingerprint(stick)
    outcome = desk.file(stick)
    assert (outcome.filed, outcome.exit_code) == (5 + 1, 0)
    assert fingerprint(stick) == before


def test_a_word_that_a_power_cut_tore_off_is_written_again(computer: Computer, stick: Path, desk: Desk):
    computer.small_night()
    computer.send(stick)
    desk.file(stick)
    (stick / "2026-03-14/tagmanifest-sha256.txt").unlink()
    assert desk.file(stick).deliveries[0].acknowledged
    assert (stick / "2026-03-14/tagmanifest-sha256.txt").exists()
    assert_valid(stick / "2026-03-14")


def test_a_damaged_word_is_found_and_written_anew_only_when_all_else_holds(
    computer: Computer, stick: Path, desk: Desk
):
    computer.small_night()
    computer.send(stick)
    desk.file(stick)
    (found,) = (stick / "2026-03-14/nightferry").glob("acknowledgement-*.json")
    found.write_bytes(found.read_bytes().replace(b"sha256", b"sha257", 1))
    outcome = desk.file(stick)
    assert outcome.exit_code == 1
    assert not outcome.deliveries[0].acknowledged


def test_no_word_is_written_that_leaves_a_file_of_the_bag_out(computer: Computer, stick: Path, desk: Desk):
    """Whatever was counted before: a deletion on the imaging computer may rest on it."""
    computer.small_night()
    computer.send(stick)
    outcome = desk.file(stick)
    folder = this_computer().pin(stick)
    fingerprint = ListedBag(folder, "2026-03-14").fingerprint()
    delivery = outcome.deliveries[0].delivery
    answer = replace(delivery.acknowledgeable, folder=folder, fingerprint=fingerprint)
    written = stick / "2026-03-14/nightferry" / f"acknowledgement-{outcome.archive.id}.json"
    files = read_acknowledgement(written.read_bytes()).files
    written.unlink()
    pinned = this_computer().pin(desk.archive)
    archive = OpenArchive(desk.archive, outcome.archive, pinned, None, on_network=False)
    with holdings_of(archive.folder, may_write=False) as holdings:
        standing = Standing(archive.folder, holdings)
        with pytest.raises(NotAcknowledged, match="1 of its files"):
            acknowledge(answer, files[1:], archive, "attic", NOON, this_computer(), standing)
    folder.close()
    pinned.close()
    assert not list(stick.glob("*/nightferry/acknowledgement-*.json"))


# Signatures


def test_the_first_filing_keeps_the_computer_s_key_signs_with_it_and_takes_it_from_the_drive(
    computer: Computer, stick: Path, desk: Desk
):
    computer.small_night()
    computer.send(stick)
    key = Records(computer.records).key()
    assert key is not None
    assert key.secret in (stick / KEY_NAME).read_text()
    desk.file(stick)
    assert not (stick / KEY_NAME).exists()
    (written,) = (stick / "2026-03-14/nightferry").glob("acknowledgement-*.json")
    assert signed(written.read_bytes(), key) is Signed.VALID
    assert key.secret not in written.read_text()
    assert_valid(stick / "2026-03-14")


def test_a_key_that_comes_later_signs_the_acknowledgement_that_is_there(
    computer: Computer, stick: Path, desk: Desk
):
    computer.small_night()
    computer.send(stick)
    text = (stick / KEY_NAME).read_text()
    (stick / KEY_NAME).unlink()
    desk.file(stick)
    assert "keyed" not in word(stick)
    (stick / KEY_NAME).write_text(text)
    outcome = desk.file(stick)
    assert (outcome.filed, outcome.exit_code) == (0, 0)
    assert list(word(stick)["keyed"]) == [Records(computer.records).key().id]
    assert not (stick / KEY_NAME).exists()


def test_once_an_archive_has_signed_the_key_is_sent_no_more(computer: Computer, stick: Path, desk: Desk):
    computer.small_night()
    computer.send(stick)
    desk.file(stick)
    computer.frame("next.fits", begun="2026-03-15T23:00:00", data=noise(900, 8))
    computer.send(stick)  # which sees the acknowledgement
    assert not (stick / KEY_NAME).exists()
    other = prepared(stick.parent / "other stick")
    computer.frame("third.fits", begun="2026-03-16T23:00:00", data=noise(900, 9))
    computer.send(other)
    assert not (other / KEY_NAME).exists()


def test_what_is_called_a_key_and_is_none_leaves_the_filing_as_it_is(
    computer: Computer, stick: Path, desk: Desk
):
    computer.small_night()
    computer.send(stick)
    (stick / KEY_NAME).write_text('key = "0123"')
    assert desk.file(stick).exit_code == 0
    assert "keyed" not in word(stick)
