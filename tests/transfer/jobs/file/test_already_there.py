"""What counts as already there: what the archive's own bag lists, as it was when it was read back last."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
from pathlib import Path

import pytest

from manifests.bags.acknowledgement import Acknowledgement, read_acknowledgement
from manifests.findings import FindingKind
from manifests.index.schema import INDEX_NAME
from tests.support.desks import NOON, Desk
from tests.support.nights import Computer, assert_valid, noise
from transfer.errors import ExitCode

LIGHT = "M 51/data/2026-03-14/Ha/light 1.fits"
PROVEN = "nightferry/said-proven.jsonl"


@pytest.fixture
def night(computer: Computer, stick: Path, desk: Desk) -> Path:
    """Return a drive whose night is in the archive."""
    computer.small_night()
    computer.send(stick)
    assert desk.file(stick).exit_code is ExitCode.PROVEN
    return stick


def acknowledgement(stick: Path) -> Acknowledgement:
    (found,) = stick.glob("2026-03-14/nightferry/acknowledgement-*.json")
    return read_acknowledgement(found.read_bytes())


def write_over(path: Path) -> bytes:
    """Change a byte of a file in place, as another program would, through whatever link."""
    whole = path.read_bytes()
    with path.open("r+b") as file:
        file.seek(len(whole) - 100)
        file.write(b"\xff")
    return whole


def proven_lines(desk: Desk, bag: str = "M 51") -> int:
    return len((desk.archive / bag / PROVEN).read_bytes().splitlines())


def test_a_frame_that_was_changed_in_place_is_found_set_aside_and_filed_anew(night: Path, desk: Desk):
    whole = write_over(desk.archive / LIGHT)
    outcome = desk.file(night)
    assert (outcome.filed, outcome.already_there, outcome.exit_code) == (1, 4, ExitCode.PROVEN)
    (finding,) = [each for each in outcome.all_findings() if each.kind is FindingKind.CHANGED]
    assert finding.path == str(desk.archive / LIGHT)
    assert "it has other content" in finding.detail
    assert "was filed anew" in finding.detail
    assert "1 file in the archive had changed since, and was filed anew." in outcome.message
    assert desk.files()[LIGHT] == whole
    (aside,) = (desk.archive / "M 51/nightferry/set-aside").iterdir()
    assert len(aside.read_bytes()) == len(whole)
    assert aside.read_bytes() != whole
    desk.assert_all_valid()
    assert acknowledgement(night).files[0].read_back_utc == NOON
    assert desk.file(night).already_there == 5


def test_nothing_is_acknowledged_any_more_while_a_changed_frame_cannot_be_filed_anew(night: Path, desk: Desk):
    write_over(desk.archive / LIGHT)
    (on_drive,) = night.rglob("light 1.fits")
    write_over(on_drive)
    outcome = desk.file(night)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert not outcome.deliveries[0].acknowledged
    assert not list(night.glob("2026-03-14/nightferry/acknowledgement-*.json"))
    details = [each.detail for each in outcome.all_findings() if each.path == str(desk.archive / LIGHT)]
    assert ["filed anew from a drive" in detail for detail in details] == [True]
    (taken_back,) = [
        each.detail for each in outcome.all_findings() if each.kind is FindingKind.NOT_ACKNOWLEDGED
    ]
    assert "was taken back" in taken_back
    tags = (night / "2026-03-14/tagmanifest-sha256.txt").read_text()
    assert "acknowledgement" not in tags
    assert "entries.jsonl" in tags


def test_a_changed_frame_is_found_by_a_folder_without_a_bag_as_well(
    computer: Computer, night: Path, desk: Desk
):
    whole = write_over(desk.archive / LIGHT)
    outcome = desk.file(computer.frames)
    assert (outcome.filed, outcome.exit_code) == (1, ExitCode.PROVEN)
    assert desk.files()[LIGHT] == whole
    assert [each.path for each in outcome.all_findings() if each.kind is FindingKind.CHANGED] == [
        str(desk.archive / LIGHT)
    ]
    desk.assert_all_valid()


def test_a_changed_frame_under_another_name_is_filed_anew_in_its_place(
    computer: Computer, night: Path, desk: Desk, tmp_path: Path
):
    whole = write_over(desk.archive / LIGHT)
    years = tmp_path / "years"
    years.mkdir()
    (years / "renamed.fits").write_bytes(whole)
    assert desk.file(years).filed == 1
    assert desk.files()[LIGHT] == whole
    assert not [path for path in desk.files() if "renamed" in path]
    desk.assert_all_valid()


def test_a_dry_run_reports_a_changed_frame_and_writes_nothing(night: Path, desk: Desk):
    write_over(desk.archive / LIGHT)
    before = desk.fingerprint()
    outcome = desk.file(night, dry_run=True)
    assert (outcome.would_be_filed, outcome.already_there) == (1, 4)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert FindingKind.CHANGED in [each.kind for each in outcome.all_findings()]
    assert desk.fingerprint() == before


def test_a_file_with_another_time_and_the_same_content_is_read_once_and_then_believed(
    night: Path, desk: Desk
):
    lines = proven_lines(desk)
    os.utime(desk.archive / LIGHT, ns=(1, 1))
    outcome = desk.file(night)
    assert (outcome.already_there, outcome.exit_code) == (5, ExitCode.PROVEN)
    assert proven_lines(desk) == lines + 1
    assert_valid(desk.archive / "M 51")
    before = desk.fingerprint()
    assert desk.file(night).already_there == 5
    assert desk.fingerprint() == before


@pytest.mark.parametrize("torn", ["removed", "edited"])
def test_without_a_proof_that_its_bag_vouches_for_a_file_is_read(night: Path, desk: Desk, torn: str):
    """The record of a changed frame is made to fit it: the tag manifest does not list that record."""
    whole = write_over(desk.archive / LIGHT)
    record = desk.archive / "M 51" / PROVEN
    facts = (desk.archive / LIGHT).stat()
    if torn == "removed":
        record.unlink()
    else:
        said = json.loads(record.read_bytes().splitlines()[-1])
        said["files"][LIGHT.partition("/")[2]] = [facts.st_size, facts.st_mtime_ns]
        record.write_bytes(record.read_bytes() + json.dumps(said).encode() + b"\n")
    assert desk.file(night).filed == 1
    assert desk.files()[LIGHT] == whole


def test_an_archive_from_before_proofs_were_kept_is_read_once(night: Path, desk: Desk):
    for bag in desk.bags():
        (bag / PROVEN).unlink()
        tags = bag / "tagmanifest-sha256.txt"
        tags.write_text("".join(x for x in tags.read_text().splitlines(True) if PROVEN not in x))
        assert_valid(bag)
    outcome = desk.file(night)
    assert (outcome.already_there, outcome.exit_code) == (5, ExitCode.PROVEN)
    assert all((bag / PROVEN).exists() for bag in desk.bags())
    desk.assert_all_valid()


def test_an_index_that_has_a_content_which_its_bag_does_not_list_is_not_believed(
    computer: Computer, stick: Path, desk: Desk
):
    """One digest in the index is that of a frame which the archive never had."""
    computer.frame("light 1.fits", data=noise(100, 1))
    computer.send(stick)
    desk.file(stick)
    other = computer.frame("light 2.fits", data=noise(100, 2))
    computer.send(stick)
    with sqlite3.connect(desk.archive / INDEX_NAME) as index:
        digest = hashlib.sha256(other.read_bytes()).digest()
        kind = index.execute("SELECT typeof(sha256) FROM files").fetchone()[0]
        index.execute("UPDATE files SET sha256 = ?", (digest if kind == "blob" else digest.hex(),))
    outcome = desk.file(stick)
    assert (outcome.filed, outcome.exit_code) == (1, ExitCode.PROVEN)
    assert other.read_bytes() in desk.files().values()
    assert outcome.deliveries[0].acknowledged


def test_an_acknowledgement_that_names_a_place_which_is_not_there_is_written_anew(night: Path, desk: Desk):
    before = acknowledgement(night)
    bag = night / "2026-03-14"
    path = bag / "nightferry" / f"acknowledgement-{before.archive_id}.json"
    document = json.loads(path.read_bytes())
    document["files"][0]["to"] = "M 51/data/2026-03-14/Ha/never.fits"
    path.write_text(json.dumps(document))
    tags = bag / "tagmanifest-sha256.txt"
    lines = [line for line in tags.read_text().splitlines(True) if "acknowledgement" not in line]
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    tags.write_text("".join([*lines, f"{digest}  nightferry/{path.name}\n"]))
    outcome = desk.file(night)
    assert outcome.deliveries[0].acknowledged
    assert acknowledgement(night) == before
    assert_valid(bag)


def test_an_acknowledgement_says_when_each_file_was_last_read_back(night: Path, desk: Desk):
    assert {file.read_back_utc for file in acknowledgement(night).files} == {NOON}


def test_all_files_that_were_read_back_together_are_in_one_line(computer: Computer, stick: Path, desk: Desk):
    """The real command, whose clock goes on between one file and the next."""
    computer.small_night()
    computer.send(stick)
    assert desk.command("file", stick).exit == 0
    assert proven_lines(desk, "M 51") == 1


def test_a_bag_that_became_a_file_is_no_trouble_and_its_frames_are_filed_again(night: Path, desk: Desk):
    """The index knows of contents in it still."""
    before = desk.files()
    shutil.rmtree(desk.archive / "M 51")
    (desk.archive / "M 51").write_text("a note that somebody left here")
    outcome = desk.file(night)
    assert (outcome.already_there, outcome.exit_code) == (3, ExitCode.PROVEN)
    assert sorted(desk.files().values()) == sorted(before.values())
