"""Files of the night that no pattern takes are named; images among them are no success."""

import json
import os

import pytest

from manifests.findings import FindingKind
from tests.support.nights import EVENING_NS, fits, noise
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ExitCode
from transfer.jobs.send.preview import preview
from transfer.jobs.send.ready import SendRequest
from transfer.stop import Stop

TAKES_FITS = 'kind = "frames"\ntake = ["**/*.fits"]\nleave = ["previews/"]'


@pytest.fixture
def choosy(computer):
    """An imaging computer whose frames source takes nothing but *.fits, with a night of these."""
    computer.small_night()
    computer.file.write_text(computer.file.read_text().replace('kind = "frames"', TAKES_FITS))
    return computer


def put(computer, name, content=b"whatever"):
    path = computer.frames / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    os.utime(path, ns=(EVENING_NS, EVENING_NS))


def told(outcome):
    return {(each.source, each.ending): (each.are_images, each.paths) for each in outcome.not_taken}


def test_frames_that_no_pattern_takes_are_no_success(choosy, stick):
    for number in range(60):
        put(choosy, f"M 101/light {number:02}.fit", fits(target="M 101", data=noise(64, number)))
    outcome = choosy.send(stick)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert not outcome.safe_to_pull
    receipt = (stick / "READ ME FIRST.txt").read_text()
    assert receipt.startswith("NOT SAFE ON 'Field stick': without 60 images that no pattern takes.")
    assert "Not carried: 60 images that no pattern takes" in receipt
    assert "60 files ending in .fit not carried: M 101/light 00.fit," in " ".join(receipt.split())
    (found,) = outcome.as_json()["not_taken"]
    assert (found["source"], found["ending"], found["images"], found["files"]) == ("frames", ".fit", True, 60)
    assert len(found["paths"]) == 60


@pytest.mark.parametrize("name", ["a.cr2", "a.NEF", "a.dng", "a.tif", "a.jpg", "a.png", "deep/er/a.fts"])
def test_an_image_is_known_by_its_ending(choosy, stick, name):
    put(choosy, name)
    assert choosy.send(stick).exit_code is ExitCode.SOMETHING_UNPROVEN


@pytest.mark.parametrize(
    "content", [fits(), b"II*\0rest", b"MM\0*rest", b"\x89PNG\r\n\x1a\nrest", b"\xff\xd8\xff\xe0rest"]
)
def test_an_image_of_another_name_is_known_by_its_first_bytes(choosy, stick, content):
    put(choosy, "frame.001", content)
    outcome = choosy.send(stick)
    assert told(outcome) == {("frames", ".001"): (True, ("frame.001",))}
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN


def test_files_that_are_no_images_are_counted_by_ending_and_change_no_exit_code(choosy, stick):
    put(choosy, "notes.txt")
    put(choosy, "sub/notes.txt")
    put(choosy, "list")
    outcome = choosy.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert told(outcome) == {
        ("frames", ".txt"): (False, ("notes.txt", "sub/notes.txt")),
        ("frames", ""): (False, ("list",)),
    }
    assert [found.kind for found in outcome.all_findings()].count(FindingKind.NOT_TAKEN) == 2
    assert (stick / "READ ME FIRST.txt").read_text().startswith("SAFE ON ")


def test_what_is_left_on_purpose_is_no_news(choosy, stick):
    put(choosy, "previews/a.jpg")
    assert choosy.send(stick).not_taken == ()


def test_what_another_source_takes_is_carried_and_no_news(choosy, stick):
    with choosy.file.open("a") as file:
        file.write(
            '[[source]]\nname = "raw"\nfolder = "computer/frames"\nkind = "frames"\ntake = ["**/*.cr2"]\n'
        )
    put(choosy, "a.cr2")
    outcome = choosy.send(stick)
    assert (outcome.exit_code, outcome.not_taken) == (ExitCode.PROVEN, ())


@pytest.mark.parametrize(("days", "exit_code"), [(5, 1), (29, 1), (40, 0)])
def test_images_of_earlier_nights_are_told_for_as_long_as_nights_are_caught_up_with(
    choosy, stick, days, exit_code
):
    put(choosy, "old.cr2")
    put(choosy, "old.txt")
    for name in ("old.cr2", "old.txt"):
        os.utime(choosy.frames / name, ns=(EVENING_NS, EVENING_NS - days * 86400 * 10**9))
    for _ in range(2):
        outcome = choosy.send(stick)
        assert outcome.exit_code == exit_code
        assert told(outcome) == ({("frames", ".cr2"): (True, ("old.cr2",))} if exit_code else {})


def test_images_of_a_night_of_which_nothing_is_taken_are_told(choosy, stick):
    put(choosy, "next.cr2")
    path = choosy.frames / "next.cr2"
    os.utime(path, ns=(EVENING_NS, EVENING_NS + 86400 * 10**9))
    assert choosy.send(stick).exit_code is ExitCode.SOMETHING_UNPROVEN


def test_plan_says_so_by_day(choosy, stick):
    put(choosy, "a.cr2")
    around = Surroundings(this_computer(), Records(choosy.records), Stop())
    outcome = preview(choosy.config(), SendRequest((stick,)), around)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert json.loads(json.dumps(outcome.as_json()))["not_taken"][0]["ending"] == ".cr2"


def test_images_that_are_no_fits_are_carried_with_their_night_and_count_as_frames(computer, stick):
    put(computer, "raw/a.cr2", b"II*\0" + noise(500))
    computer.log("mount.log")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert (stick / "2026-03-14/data/frames/raw/a.cr2").exists()
    assert (stick / "READ ME FIRST.txt").read_text().startswith("SAFE ON 'Field stick': 1 frame and 1 log.")


def test_a_night_that_left_only_logs_says_so(computer, stick):
    computer.log("mount.log")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    first = (stick / "READ ME FIRST.txt").read_text().splitlines()[0]
    assert first == "SAFE ON 'Field stick': NO FRAMES TONIGHT, 1 log."
