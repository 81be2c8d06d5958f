"""What lies on the imaging computer while programs of the night are still at work, under any name."""

from __future__ import annotations

import pytest

from tests.support.nights import Computer, Ran, assert_valid, entries, fits, payload, prepared
from tests.windows.rig import Rig

BAG = "2026-03-14"


@pytest.fixture
def computer(rig: Rig) -> Computer:
    made = Computer(rig.root("d") / "imaging")
    made.small_night()
    return made


@pytest.fixture
def stick(rig: Rig):
    with rig.volume("e", "exfat") as made:
        prepared(made.path)
        yield made.path


def findings(ran: Ran) -> set[tuple[str, str]]:
    return {(each["finding"], each["path"].rpartition("/")[2]) for each in ran.document["findings"]}


def test_what_its_program_still_has_open_is_carried_and_marked_and_settled_by_the_next_run(
    rig, computer, stick
):
    frame = computer.frames / "M 51/Ha/light 1.fits"
    with (
        rig.another_program_holds("written", computer.logs / "mount.log"),
        rig.another_program_holds("written", frame),
    ):
        sent = rig.run("send", "--config", computer.file, "--json")
    assert (sent.exit, sent.document["files_unproven"]) == (0, 0), sent.out
    assert findings(sent) >= {("still growing", "mount.log"), ("still growing", "light 1.fits")}
    assert payload(stick / BAG)["data/frames/M 51/Ha/light 1.fits"] == frame.read_bytes()
    computer.append(computer.logs / "mount.log", b"23:00 parked\n")
    again = rig.run("send", "--config", computer.file, "--json")
    assert (again.exit, findings(again)) == (0, set())
    assert payload(stick / BAG)["data/logs/mount.log"].endswith(b"parked\n")
    assert_valid(stick / BAG)


def test_what_another_program_keeps_to_itself_is_named_and_the_rest_proven(rig, computer, stick):
    with rig.another_program_holds("alone", computer.frames / "M 51/Ha/light 1.fits"):
        sent = rig.run("send", "--config", computer.file, "--json")
    assert (sent.exit, sent.document["files_unproven"]) == (1, 1), sent.out
    assert ("locked by another program", "light 1.fits") in findings(sent)
    assert rig.run("send", "--config", computer.file).exit == 0
    assert_valid(stick / BAG)


def test_a_path_of_more_than_260_characters_is_carried_proven_and_filed(rig, computer, stick):
    deep = "/".join(f"{number} {'a long folder name ' * 4}".strip() for number in range(5))
    computer.frame(f"{deep}/light 9.fits")
    assert len(rig.name_of(computer.frames / deep)) > 300
    sent = rig.run("send", "--config", computer.file, "--json")
    assert (sent.exit, sent.document["files_proven"]) == (0, 6), sent.out
    assert f"data/frames/{deep}/light 9.fits" in payload(stick / BAG)
    assert rig.run("check", "E:").exit == 0
    (rig.root("d") / "archive").mkdir()
    computer.more = '[archive]\nfolder = "D:/archive"\n'
    computer.configure()
    filed = rig.run("file", "e:", "--config", computer.file, "--json")
    assert (filed.exit, filed.document.get("filed")) == (0, 6), filed.out + filed.err


def test_names_that_windows_gives_a_meaning_are_stored_under_others_and_kept_in_the_entries(
    rig, computer, stick
):
    names = ("CON.fits", "nul", "COM1.log", "light 7.fits.", "light 8.fits ", "what%3Fever.fits")
    for number, name in enumerate(names):
        computer.frame(f"odd/{name}", fits(data=bytes([number]) * 64))
    before = computer.fingerprint()
    sent = rig.run("send", "--config", computer.file, "--json")
    assert (sent.exit, sent.document["files_proven"]) == (0, 5 + len(names)), sent.out
    assert computer.fingerprint() == before
    assert_valid(stick / BAG)
    kept = {entry.original for entry in entries(stick / BAG).values() if entry.original.startswith("odd/")}
    assert kept == {f"odd/{name}" for name in names}
