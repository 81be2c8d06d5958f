"""Each drive's receipt speaks of that drive, and says what the other lacks."""

import contextlib
import os
import shutil
import signal

import pytest

from manifests.findings import FindingKind
from tests.support.nights import NIGHT, assert_valid, fits, noise, prepared
from transfer.engine.drive import read_mark
from transfer.errors import ExitCode
from transfer.events import PhaseEnded


def receipt_of(root):
    return (root / "READ ME FIRST.txt").read_text()


def flat(text):
    return " ".join(text.split())


@pytest.fixture
def one_too_small(volumes, computer, stick):
    """A night sent to a stick that takes it, and to one that has no room."""
    computer.frames_of(8, 3 << 20)
    with volumes("exfat", size_mb=20) as drive:
        small = prepared(drive.path, "Card")
        yield computer.send(stick, small), stick, small


def test_one_full_drive_takes_no_safety_from_the_other(one_too_small):
    outcome, stick, small = one_too_small
    assert outcome.exit_code is ExitCode.DOES_NOT_FIT
    assert_valid(stick / NIGHT.isoformat())
    good, full = receipt_of(stick), receipt_of(small)
    assert good.startswith("SAFE ON 'Field stick': 8 frames.")
    assert "The drive may be pulled" in good
    assert "The other drive: NOT SAFE ON 'Card': 8 of 8 files are not proven." in flat(good)
    assert full.startswith("NOT SAFE ON 'Card': 8 of 8 files are not proven. The night of")
    assert "The drive may be pulled" not in full
    assert "Field stick" not in full


def test_a_drive_that_got_nothing_says_nothing_of_a_read_back(one_too_small):
    _, _, small = one_too_small
    assert "Read back from the medium" not in receipt_of(small)
    assert "Nothing is left to carry" not in flat(receipt_of(small))


def test_message_and_findings_say_which_drive_lacks_what(one_too_small):
    outcome, _, _ = one_too_small
    assert outcome.message.startswith(
        "All 8 files (25.2 MB) are on 'Field stick', read back from the medium and equal. "
        "0 files (0 bytes) are proven on 'Card'; 8 are not. The night of"
    )
    lacking = [found.detail for found in outcome.all_findings() if found.kind is FindingKind.NOT_PROVEN]
    assert lacking == ["the night does not fit, on the drive 'Card'"] * 8


def test_json_has_the_size_of_a_night_that_did_not_fit_and_no_read_back(one_too_small):
    outcome, _, _ = one_too_small
    good, full = outcome.as_json()["nights"]
    assert (good["proven"], good["read_back"]) == (8, "medium")
    assert (full["proven"], full["read_back"]) == (0, None)
    assert full["bytes"] == good["bytes"] > 25_000_000


def test_a_drive_that_left_keeps_no_earlier_night_from_the_other(volumes, computer, stick):
    computer.small_night()
    computer.frame("next.fits", begun="2026-03-15T23:00:00", data=noise(900, 8))
    with volumes("exfat", size_mb=20) as drive:
        card, server = prepared(drive.path, "Card"), drive.server()

        def pull(event):
            if isinstance(event, PhaseEnded) and event.what.endswith("on Card"):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(server, signal.SIGKILL)

        outcome = computer.send(stick, card, listen=pull)
        drive.pull()
    assert [(each.drive, str(each.night), each.proven, each.files) for each in outcome.nights] == [
        ("Field stick", "2026-03-15", 1, 1),
        ("Card", "2026-03-15", 0, 1),
        ("Field stick", "2026-03-14", 5, 5),
    ]
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert receipt_of(stick).startswith("SAFE ON 'Field stick': 4 frames and 2 logs of 2 nights.")
    assert "The drive left" in outcome.message
    assert outcome.left_behind == ()
    for night in ("2026-03-15", "2026-03-14"):
        assert_valid(stick / night)


def test_a_drive_without_room_says_what_has_to_stay_free(volumes, computer):
    computer.frames_of(2, 1 << 20)
    with volumes("exfat", size_mb=20) as drive:
        small = prepared(drive.path, "Card")
        free = shutil.disk_usage(small).free
        (small / "holiday.mov").write_bytes(bytes(free - (2 << 20)))
        told = computer.send(small).message
    assert "there is room for none: 2.1 MB are free, and 4.2 MB have to stay free." in told


def test_what_is_wrong_with_a_source_is_told_once_for_all_drives(computer, stick, tmp_path):
    computer.frame("cut.fits", fits(data=noise(9000))[:6000])
    found = computer.send(stick, prepared(tmp_path / "card", "Card")).all_findings()
    assert [each.kind for each in found].count(FindingKind.DATA_CUT_SHORT) == 1


def test_a_single_file_is_told_as_one(computer, stick):
    computer.log("mount.log")
    assert computer.send(stick).message.startswith("The only file (10 bytes) is on 'Field stick'")
    again = computer.send(stick).message
    assert again == "Nothing new to send: the only file was proven on 'Field stick' by an earlier run."


def test_a_drive_that_was_copied_with_its_mark_is_told(computer, stick, tmp_path):
    computer.log("mount.log")
    copy = shutil.copytree(stick, tmp_path / "copy")
    told = computer.send(stick, copy).all_findings()
    (found,) = (each for each in told if each.kind is FindingKind.SAME_MARK)
    assert found.path == str(copy)
    assert found.detail.startswith(f"{stick}: ")
    assert f'nightferry prepare "{copy}"' in found.detail
    again = computer.command("send", "--drive", stick, "--drive", copy).out
    assert "Nothing new to send" in again
    assert "has the mark of another drive that is connected" in flat(again)


def test_drives_of_one_name_are_told_apart_by_their_places(computer, stick, tmp_path):
    computer.small_night()
    twin = prepared(tmp_path / "twin")
    said = flat(computer.command("send", "--drive", stick, "--drive", twin).out)
    assert all(f"SAFE ON 'Field stick' at {each}: 3 frames" in said for each in (stick, twin))


def test_the_screen_says_of_each_drive_how_it_stands(volumes, computer, stick):
    computer.frames_of(8, 3 << 20)
    with volumes("exfat", size_mb=20) as drive:
        small = prepared(drive.path, "Card")
        ran = computer.command("send", "--drive", stick, "--drive", small)
    lines = ran.out.splitlines()
    assert ran.exit == 4
    assert lines[0] == "SAFE ON 'Field stick': 8 frames."
    assert lines[1].startswith("NOT SAFE ON 'Card': 8 of 8 files are not proven.")


def test_a_drive_that_had_everything_before_says_what_the_other_lacks(volumes, computer, stick):
    computer.frames_of(8, 3 << 20)
    computer.send(stick)
    before = receipt_of(stick)
    with volumes("exfat", size_mb=20) as drive:
        computer.send(stick, prepared(drive.path, "Card"))
    assert receipt_of(stick).splitlines()[0] == before.splitlines()[0]


def test_two_drives_of_one_name_are_told_apart(computer, stick, tmp_path):
    computer.frame("light.fits", data=noise(100))
    other = prepared(tmp_path / "other")  # called as the first
    assert computer.send(stick, other).exit_code is ExitCode.PROVEN
    for root in (stick, other):
        assert f"This drive is 'Field stick', {read_mark(root).id}" in flat(receipt_of(root))
