"""The receipt tells a person at breakfast what happened, whether the drive may be pulled, and what to do."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from manifests.bags.summary import Count, Group, Summary
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import FrameType, Stage
from tests.support.nights import Computer
from transfer.engine.drive import new_mark
from transfer.engine.medium import ReadBack
from transfer.errors import DoesNotFit, DriveFailed, ExitCode
from transfer.jobs.send.outcome import NightOutcome, SendOutcome
from transfer.jobs.send.plan import LeftBehind
from transfer.jobs.send.receipt import is_said_by, receipt, unfinished_receipt

BEGAN = datetime(2026, 3, 15, 5, 0, tzinfo=UTC)
SUMMARY = Summary(
    files=5,
    logs=2,
    groups={
        Group(FrameType.DARK, "", ""): Count(1, 600.0),
        Group(FrameType.LIGHT, "M 51", "Ha"): Count(2, 2400.0),
    },
)
NIGHT = NightOutcome(
    night=date(2026, 3, 14),
    drive="Field stick",
    files=5,
    size_bytes=5000,
    proven=5,
    proven_bytes=5000,
    carried=5,
    carried_bytes=5000,
    read_back=ReadBack.MEDIUM,
    frames=3,
    summary=SUMMARY,
)
DONE = SendOutcome(ExitCode.PROVEN, "All 5 files are there.", BEGAN, BEGAN + timedelta(minutes=3), (NIGHT,))


FROM_MEMORY = replace(NIGHT, read_back=ReadBack.PERHAPS_MEMORY)
LOST = replace(NIGHT, proven=3)
CARD = replace(NIGHT, drive="Card", place="/media/card")


@pytest.mark.parametrize(
    ("outcome", "lines"),
    [
        (DONE, ["SAFE ON 'Field stick': 3 frames and 2 logs."]),
        (
            replace(DONE, nights=(NIGHT, replace(NIGHT, night=date(2026, 3, 13)))),
            ["SAFE ON 'Field stick': 6 frames and 4 logs of 2 nights."],
        ),
        (
            replace(DONE, nights=(FROM_MEMORY,)),
            ["COMPARED ON 'Field stick', PERHAPS FROM MEMORY: 3 frames and 2 logs."],
        ),
        (
            replace(DONE, exit_code=ExitCode.SOMETHING_UNPROVEN, nights=(LOST,)),
            ["NOT SAFE ON 'Field stick': 2 of 5 files are not proven."],
        ),
        (
            replace(DONE, nights=(replace(LOST, proven=4, failure=DriveFailed("The drive left")),)),
            ["NOT SAFE ON 'Field stick': 1 of 5 files is not proven. The drive left."],
        ),
        (
            replace(DONE, exit_code=ExitCode.SOMETHING_UNPROVEN, missed="60 images that no pattern takes"),
            ["NOT SAFE ON 'Field stick': without 60 images that no pattern takes."],
        ),
        (
            replace(DONE, nights=(NIGHT, replace(CARD, proven=0, full=DoesNotFit("The drive is full")))),
            [
                "SAFE ON 'Field stick': 3 frames and 2 logs.",
                "NOT SAFE ON 'Card': 5 of 5 files are not proven. The drive is full.",
            ],
        ),
        (
            replace(DONE, nights=(replace(NIGHT, frames=0, files=2, proven=2),)),
            ["SAFE ON 'Field stick': NO FRAMES TONIGHT, 2 logs."],
        ),
        (
            replace(DONE, nights=(replace(NIGHT, frames=1, files=1, proven=1),)),
            ["SAFE ON 'Field stick': 1 frame."],
        ),
        (replace(DONE, exit_code=ExitCode.NOT_THERE, nights=()), ["NOTHING WAS SENT."]),
    ],
)
def test_the_first_line_says_of_each_drive_whether_the_night_is_safe_on_it(outcome, lines):
    assert receipt(outcome).splitlines()[: len(lines)] == lines


def test_below_the_answer_stands_of_which_nights_and_when():
    assert receipt(DONE).splitlines()[1] == "The night of 2026-03-14, as of 2026-03-15 at 05:03:00 UTC."
    two = replace(DONE, nights=(NIGHT, replace(NIGHT, night=date(2026, 3, 12))))
    told = receipt(two).splitlines()[1]
    assert told == "2 nights, 2026-03-12 to 2026-03-14, as of 2026-03-15 at 05:03:00 UTC."
    nothing = receipt(replace(DONE, exit_code=ExitCode.NOT_THERE, nights=())).splitlines()
    assert nothing[:2] == ["NOTHING WAS SENT.", "As of 2026-03-15 at 05:03:00 UTC."]


def test_clouds_on_the_last_night_are_told_though_there_are_frames_of_another():
    clouds = replace(NIGHT, night=date(2026, 3, 15), frames=0, files=1, proven=1)
    told = receipt(replace(DONE, nights=(clouds, NIGHT)))
    first = "SAFE ON 'Field stick': NO FRAMES TONIGHT, 1 log; of earlier nights 3 frames and 2 logs."
    assert " ".join(told.split()).startswith(first)


def test_one_look_below_tells_what_was_carried_and_what_was_not():
    told = receipt(replace(DONE, left_behind=(LeftBehind(date(2026, 3, 1), 7),))).splitlines()
    assert told[4:8] == [
        "2026-03-14  M 51: Ha 2; 1 dark, 2 logs",
        "Read back from the medium, and equal.",
        "Not carried, and safe only on the imaging computer: 7 files of 1 night",
        "(2026-03-01). To carry them: nightferry send --since 2026-03-01",
    ]
    said = " ".join(receipt(DONE).split())
    assert "all else is from before, on a drive that may not be here, or in an archive." in said


def test_two_drives_of_one_name_are_told_apart_by_what_stands_on_them():
    mark = new_mark("Field stick", BEGAN, None, None)
    assert f"This drive is 'Field stick', {mark.id}" in " ".join(receipt(DONE, mark).split())


def test_nothing_is_called_proven_or_safe_that_was_perhaps_read_from_memory():
    told = receipt(replace(DONE, nights=(FROM_MEMORY,), message=""))
    assert "SAFE" not in told
    assert "proven" not in told
    assert "compared   5 of 5 files" in told


def test_the_way_out_stands_on_a_line_of_its_own_to_be_copied():
    command = 'echo \'SUBSYSTEM=="block", ENV{ID_FS_UUID}=="1234-ABCD", OWNER="ada"\' | sudo tee /etc/x.rules'
    reason = "this user may not read /dev/sdb1, whose cache may hold the copy"
    told = receipt(replace(DONE, nights=(replace(FROM_MEMORY, methods=(reason,), remedies=(command,)),)))
    assert f"  {command}" in told.splitlines()
    assert reason in " ".join(told.split())


def test_a_receipt_is_known_again_by_what_it_says():
    assert is_said_by(DONE, receipt(DONE).encode().splitlines(keepends=True))
    for other in (
        replace(DONE, nights=(FROM_MEMORY,)),
        replace(DONE, left_behind=(LeftBehind(date(2026, 3, 1), 7),)),
    ):
        assert not is_said_by(other, receipt(DONE).encode().splitlines(keepends=True))
    assert not is_said_by(DONE, [])


def test_the_frames_are_told_by_type_target_and_filter():
    told = receipt(DONE)
    assert "light        M 51                 Ha           2     40.0 min" in told
    assert told.index("light ") < told.index("dark ")
    assert "proven     5 of 5 files, 5.0 kB" in told
    assert "took 3 minutes" in told


def test_words_of_proof_follow_what_was_read():
    assert "from the medium, and equal" in receipt(DONE)
    doubted = receipt(replace(DONE, nights=(replace(NIGHT, read_back=ReadBack.PERHAPS_MEMORY),)))
    assert "from the medium" not in doubted
    assert "check the drive on another computer" in " ".join(doubted.split())


def many(number: int) -> SendOutcome:
    findings = tuple(Finding(FindingKind.NOT_PROVEN, f"reason {n}", f"logs/{n}.log") for n in range(number))
    return replace(DONE, exit_code=ExitCode.SOMETHING_UNPROVEN, findings=findings)


def test_many_findings_of_a_kind_take_one_place_on_the_screen():
    told = receipt(many(500), each_finding=False)
    assert "Worth a look (500)" in told
    assert "500 × not proven, such as logs/0.log: reason 0. Send again" in " ".join(told.split())
    assert "listed at the end of the receipt" in told
    assert len(told.splitlines()) < 50


def test_the_receipt_lists_every_finding_at_its_end():
    told = receipt(many(500))
    assert "Every finding (500)" in told
    assert told.endswith("  logs/499.log: not proven (reason 499)\n")
    assert told.index("What to do now") < told.index("Every finding")
    assert receipt(many(3000)).endswith("  and 1,000 more: nightferry send --json lists all\n")


def test_the_list_of_a_drive_that_left_is_where_it_was_kept():
    left = replace(many(500), nights=(replace(LOST, failure=DriveFailed("The drive left")),))
    kept = receipt(replace(left, kept_in="/home/ada/records/receipts/r.txt"), each_finding=False)
    assert "of the receipt that is kept on this computer: /home/ada/records" in " ".join(kept.split())
    assert "on the drive" not in kept.partition("Worth a look")[2].partition("What to do")[0]
    assert "nightferry send --all-findings lists each." in receipt(left, each_finding=False)


def test_a_few_findings_are_told_once():
    told = receipt(many(5))
    assert told.count("logs/4.log: not proven (reason 4)") == 1
    assert "Every finding" not in told


def test_nights_and_drives_that_had_no_part_are_told():
    told = receipt(
        replace(
            DONE,
            left_behind=(LeftBehind(date(2026, 3, 1), 7), LeftBehind(date(2026, 3, 10), 5)),
            absent=("Card",),
        )
    )
    assert "12 files of 2 nights (2026-03-01, 2026-03-10)" in " ".join(told.split())
    assert "nightferry send --since 2026-03-01" in told
    assert "The drive 'Card' was not there" in told


def test_a_season_that_stays_behind_is_told_by_its_first_and_last_night():
    season = tuple(LeftBehind(date(2026, 3, day), 60) for day in range(1, 21))
    told = " ".join(receipt(replace(DONE, left_behind=season)).split())
    assert "1,200 files of 20 nights (from 2026-03-01 to 2026-03-20)" in told
    assert "2026-03-02" not in told


def test_no_name_brings_a_control_character_into_it():
    nasty = Finding(FindingKind.NAME_CHANGED, "stored as x", "logs/two\nlines\tand \x1b[31m \udcff.log")
    told = receipt(replace(DONE, findings=(nasty,)))
    assert all(character.isprintable() or character == "\n" for character in told)
    assert r"two\nlines\tand \x1b[31m \udcff.log" in " ".join(told.split())
    told.encode("utf-8")


def test_while_a_run_is_at_work_the_drive_says_so():
    told = unfinished_receipt(BEGAN)
    assert told.startswith("NOT FINISHED: DON'T PULL THIS DRIVE YET.")
    assert "2026-03-15 at 05:00:00 UTC" in told
    assert "nightferry send" in told


def test_a_clock_that_was_set_back_makes_no_duration_below_nothing():
    text = receipt(replace(DONE, ended=BEGAN - timedelta(hours=1)))
    said = " ".join(text.split())
    assert "ended when the clock, which was set back meanwhile, said 2026-03-15 at 04:00:00 UTC" in said
    assert "took" not in said


def test_every_line_counts_frames_and_logs_alike(computer: Computer, stick: Path):
    computer.small_night()
    computer.frame("bias.fits", kind="Bias Frame", target="")
    computer.frame("bias 2.fits", kind="Bias Frame", target="")
    computer.frame("no header.fits", b"SIMPLE  =                    T / and no more")
    computer.frame("M 51/raw.cr2", b"II*\0 as a camera writes it")
    computer.log("screen.png", b"\x89PNG\r\n\x1a\n as a program keeps it beside its log")
    text = " ".join(receipt(computer.send(stick)).split())
    assert "SAFE ON 'Field stick': 7 frames and 3 logs." in text
    assert "M 51: Ha 2; 2 bias frames, 1 dark, 2 frames without a readable header, 3 logs" in text
    assert "without a readable header 2 logs and others 3" in text


def test_what_was_made_of_frames_is_told_apart_from_them():
    made = {
        Group(FrameType.LIGHT, "M 51", "Ha"): Count(2, 2400.0),
        Group(FrameType.LIGHT, "M 51", "Ha", Stage.STACK): Count(1, 2400.0),
        Group(FrameType.LIGHT, "M 51", "Ha", Stage.CALIBRATED): Count(1, 1200.0),
        Group(FrameType.DARK, "", "", Stage.MASTER): Count(1, 600.0),
    }
    page = receipt(replace(DONE, nights=(replace(NIGHT, summary=Summary(files=5, groups=made)),)))
    kinds = [line.split()[:2] for line in page.splitlines() if line.endswith(" min")]
    assert kinds == [["light", "M"], ["calibrated", "M"], ["stack", "M"], ["master", "dark"]]
    assert "M 51: Ha 2; 1 calibrated light, 1 master dark, 1 stack" in " ".join(page.split())
