"""A night is carried to a prepared folder, whole, and proven; the next run carries only what is new."""

import json
import os
import shutil
import subprocess
import sys
import uuid
from datetime import date

import pytest

from manifests.findings import FindingKind
from manifests.frames.frame import FrameType
from tests.support.nights import (
    EVENING_NS,
    NIGHT,
    Computer,
    assert_valid,
    entries,
    fits,
    listed_truly,
    noise,
    payload,
    prepared,
)
from tests.support.systems import need_links
from transfer.errors import ExitCode
from transfer.events import BytesDone, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.send.survey import Scope
from transfer.stop import Stop

BAG = NIGHT.isoformat()


def kinds(outcome):
    return {finding.kind for finding in outcome.all_findings()}


def of_kind(outcome, kind):
    return [finding for finding in outcome.all_findings() if finding.kind is kind]


def state(root):
    """Every name below a folder with its size and times: what a write of any kind would change."""
    facts = {path: path.lstat() for path in [root, *root.rglob("*")]}
    return {path: (each.st_size, each.st_mtime_ns, each.st_ctime_ns) for path, each in facts.items()}


# A whole night


def test_a_night_is_a_bag_that_every_reader_proves(computer, stick):
    computer.small_night()
    sources = computer.fingerprint()
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert (outcome.files_proven, outcome.files_unproven, outcome.safe_to_pull) == (5, 0, True)
    assert_valid(stick / BAG)
    assert computer.fingerprint() == sources
    for path, content in payload(stick / BAG).items():
        _, source, original = path.split("/", 2)
        assert content == (computer.root / "computer" / source / original).read_bytes()


def test_an_entry_tells_all_that_the_source_told(computer, stick):
    frame = computer.frame("M 51/light.fits", data=noise(100))
    computer.log("mount.log")
    computer.send(stick)
    told = entries(stick / BAG)
    entry = told["data/frames/M 51/light.fits"]
    assert (entry.source, entry.original, entry.night) == ("frames", "M 51/light.fits", NIGHT)
    assert entry.modified_ns == frame.stat().st_mtime_ns
    assert entry.size_bytes == frame.stat().st_size
    assert entry.read_back == "medium"
    assert entry.frame.frame_type is FrameType.LIGHT
    assert (entry.frame.object_name, entry.frame.filter_name, entry.frame.exposure_s) == ("M 51", "Ha", 600)
    assert told["data/logs/mount.log"].frame is None


def test_a_copy_has_its_sources_time(computer, stick):
    log = computer.log("mount.log")
    computer.send(stick)
    copy = stick / BAG / "data/logs/mount.log"
    assert copy.stat().st_mtime_ns == log.stat().st_mtime_ns


def test_a_broken_frame_is_carried_and_reported(computer, stick):
    whole = fits(data=noise(9000))
    computer.frame("cut.fits", whole[:-4000])
    computer.frame("broken.fits", b"SIMPLE  =                    T" + b"\xff" * 4000)
    computer.frame("not.fits", b"this is no frame\n")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert_valid(stick / BAG)
    assert FindingKind.DATA_CUT_SHORT in kinds(outcome)
    assert {found.path for found in of_kind(outcome, FindingKind.HEADER_UNREADABLE)} == {
        "frames/broken.fits",
        "frames/not.fits",
    }
    told = entries(stick / BAG)["data/frames/cut.fits"]
    assert FindingKind.DATA_CUT_SHORT in {found.kind for found in told.findings}


def test_an_empty_file_is_carried(computer, stick):
    computer.log("nothing.log", b"")
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    assert payload(stick / BAG) == {"data/logs/nothing.log": b""}
    assert_valid(stick / BAG)


def test_a_file_larger_than_a_block_comes_whole(computer, stick):
    computer.log("long.log", noise((3 << 20) + 17))
    computer.send(stick)
    assert_valid(stick / BAG)
    assert payload(stick / BAG)["data/logs/long.log"] == noise((3 << 20) + 17)


def test_more_files_than_a_batch_are_all_listed(computer, stick):
    for number in range(450):
        computer.log(f"{number % 7}/{number}.log", b"%d" % number)
    assert computer.send(stick).files_proven == 450
    assert_valid(stick / BAG)


# The next run


def test_a_second_run_finds_nothing_new_and_writes_nothing(computer, stick):
    computer.small_night()
    computer.send(stick)
    before = state(stick)
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert (outcome.files_proven, outcome.files_unproven) == (5, 0)
    assert "Nothing new" in outcome.message
    assert state(stick) == before


def test_without_its_memory_of_the_bag_a_run_finds_nothing_new_either(computer, stick):
    computer.small_night()
    computer.send(stick)
    computer.records_name = "other records"
    computer.configure()
    before = state(stick)
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    assert state(stick) == before


def test_frames_that_come_later_the_same_night_are_added(computer, stick):
    computer.small_night()
    computer.send(stick)
    first = payload(stick / BAG)
    computer.frame("M 51/Ha/late.fits", begun="2026-03-15T03:00:00")
    outcome = computer.send(stick)
    assert (outcome.exit_code, outcome.files_proven, outcome.nights[0].carried) == (ExitCode.PROVEN, 6, 1)
    assert_valid(stick / BAG)
    assert payload(stick / BAG).items() > first.items()


def test_a_copy_that_somebody_removed_from_the_drive_is_carried_again(computer, stick):
    computer.small_night()
    computer.send(stick)
    (stick / BAG / "data/logs/mount.log").unlink()
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    lost = f"Field stick/{BAG}/data/logs/mount.log"
    assert [found.path for found in of_kind(outcome, FindingKind.MISSING)] == [lost]
    assert_valid(stick / BAG)


@pytest.mark.parametrize("source", ["as it was", "written to, and the same"])
@pytest.mark.parametrize("left", [b"", b"22:00 slew", b"22:00 slewing\nand more"])
def test_a_copy_that_has_another_size_than_was_proven_is_carried_again(computer, stick, left, source):
    computer.small_night()
    computer.send(stick)
    if source != "as it was":
        computer.append(computer.logs / "mount.log", b"")
    (stick / BAG / "data/logs/mount.log").write_bytes(left)
    outcome = computer.send(stick)
    assert (outcome.exit_code, outcome.files_proven, outcome.nights[0].carried) == (ExitCode.PROVEN, 5, 1)
    changed = f"Field stick/{BAG}/data/logs/mount.log"
    assert [found.path for found in of_kind(outcome, FindingKind.CHANGED)] == [changed]
    assert [path.read_bytes() for path in (stick / BAG / "nightferry/set-aside").iterdir()] == [left]
    assert_valid(stick / BAG)
    assert "Nothing new" in computer.send(stick).message


def test_a_copy_carried_again_for_a_lost_one_is_read_back_though_its_run_ends_before(computer, stick):
    computer.small_night()
    computer.send(stick)
    copy = stick / BAG / "data/logs/mount.log"
    copy.unlink()
    stop = Stop()

    def listen(event):
        if isinstance(event, PhaseEnded) and event.phase is Phase.COPYING:
            stop.ask("told to end")

    computer.send(stick, stop=stop, listen=listen)
    assert f"data/logs/{copy.name}" not in listed_truly(stick / BAG)
    copy.write_bytes(b"22:00 slewinG\n")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert FindingKind.WRITTEN_AGAIN in kinds(outcome)
    assert_valid(stick / BAG)


# Another computer, whose sources have the same names


@pytest.fixture
def other(tmp_path):
    """Another imaging computer, with the same sources' names."""
    return Computer(tmp_path / "another")


def contents(drive):
    return sorted(payload(drive / BAG).values())


def sources_of(path, *computers):
    return sorted((each.root / "computer" / path).read_bytes() for each in computers)


def test_another_computers_frame_of_the_same_name_size_and_time_is_carried_too(computer, other, stick):
    computer.frame("light.fits", data=noise(3000, 1))
    other.frame("light.fits", data=noise(3000, 2))
    computer.send(stick)
    outcome = other.send(stick)
    assert (outcome.exit_code, outcome.nights[0].carried) == (ExitCode.PROVEN, 1)
    assert of_kind(outcome, FindingKind.KEPT_BOTH)
    assert contents(stick) == sources_of("frames/light.fits", computer, other)
    assert_valid(stick / BAG)
    for each in (computer, other):
        assert "Nothing new" in each.send(stick).message


def test_what_a_dead_run_of_another_computer_left_is_not_taken_for_this_ones(computer, other, stick):
    computer.frame("light.fits", data=noise(3000, 1))
    other.frame("light.fits", data=noise(3000, 2))
    computer.send(stick)
    unfinish(stick / BAG)
    assert other.send(stick).exit_code is ExitCode.PROVEN
    assert contents(stick) == sources_of("frames/light.fits", computer, other)
    assert_valid(stick / BAG)


def test_logs_of_two_computers_that_grow_in_turn_stay_two(computer, other, stick):
    for each in (computer, other):
        each.log("mount.log", b"the mount of %d\n" % id(each))
    for _ in range(3):
        for each in (computer, other):
            each.append(each.logs / "mount.log", b"and on\n")
            assert each.send(stick).exit_code is ExitCode.PROVEN
    assert contents(stick) == sources_of("logs/mount.log", computer, other)
    assert_valid(stick / BAG)


def test_a_computer_that_remembers_nothing_compares_once_and_carries_nothing_again(computer, stick):
    computer.small_night()
    computer.send(stick)
    shutil.rmtree(computer.records)
    read = []

    def listen(event):
        if isinstance(event, BytesDone):
            read.append(event.phase)

    assert "Nothing new" in computer.send(stick, listen=listen).message
    assert set(read) == {Phase.COMPARING}
    read.clear()
    assert "Nothing new" in computer.send(stick, listen=listen).message
    assert read == []


# Logs


def test_a_log_that_grew_replaces_its_older_part(computer, stick):
    log = computer.log("mount.log", b"22:00 slewing\n")
    computer.log("other.log")
    computer.send(stick)
    computer.append(log, b"22:10 tracking\n")
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    assert payload(stick / BAG)["data/logs/mount.log"] == b"22:00 slewing\n22:10 tracking\n"
    assert len(payload(stick / BAG)) == 2
    assert_valid(stick / BAG)


def test_a_log_that_was_written_anew_is_kept_beside_its_older_content(computer, stick):
    log = computer.log("mount.log", b"22:00 slewing\n")
    computer.send(stick)
    for number, text in enumerate((b"a new file\n", b"and a newer one, longer than those before\n"), 1):
        log.write_bytes(text)
        os.utime(log, ns=(EVENING_NS, EVENING_NS + number * 10**9))
        outcome = computer.send(stick)
        assert outcome.exit_code is ExitCode.PROVEN
        assert FindingKind.KEPT_BOTH in kinds(outcome)
        assert_valid(stick / BAG)
    assert len(set(payload(stick / BAG).values())) == 3
    assert "Nothing new" in computer.send(stick).message


def test_other_content_beside_an_older_one_can_grow(computer, stick):
    log = computer.log("mount.log", b"22:00 slewing\n")
    computer.send(stick)
    log.write_bytes(b"a new file\n")
    os.utime(log, ns=(EVENING_NS, EVENING_NS + 10**9))
    computer.send(stick)
    computer.append(log, b"that grows\n")
    computer.send(stick)
    assert sorted(payload(stick / BAG).values()) == [b"22:00 slewing\n", b"a new file\nthat grows\n"]
    assert_valid(stick / BAG)


def test_the_older_of_two_contents_keeps_its_name_from_all_others(computer, stick):
    log = computer.log("mount.log", b"22:00 slewing\n")
    computer.send(stick)
    log.write_bytes(b"a new file\n")
    os.utime(log, ns=(EVENING_NS, EVENING_NS + 10**9))
    computer.send(stick)
    computer.log("MOUNT.LOG", b"a twin where case does not count\n")
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    assert_valid(stick / BAG)
    names = list(payload(stick / BAG))
    assert len({name.casefold() for name in names}) == len(names) == 3


def test_a_file_that_was_only_touched_is_read_and_keeps_its_copy_and_its_entry(computer, stick):
    log = computer.log("mount.log")
    computer.send(stick)
    copy = (stick / BAG / "data/logs/mount.log").stat()
    carried = entries(stick / BAG)
    os.utime(log, ns=(EVENING_NS, EVENING_NS + 5 * 10**9))
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert "Nothing new" in outcome.message
    assert (stick / BAG / "data/logs/mount.log").stat().st_ino == copy.st_ino
    assert entries(stick / BAG) == carried
    assert_valid(stick / BAG)


def test_a_receipt_that_tells_of_an_earlier_failure_does_not_outlive_it(computer, stick):
    computer.small_night()
    computer.send(stick)
    receipt = stick / "READ ME FIRST.txt"
    good = receipt.read_text()
    receipt.write_text(
        "NOT FINISHED: DON'T PULL THIS DRIVE YET.\n"
    )  # as a run leaves it that dies at its end
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    assert receipt.read_text().splitlines()[0] == good.splitlines()[0]


# Which nights


def two_more_nights(computer):
    computer.small_night()
    computer.frame("older.fits", begun="2026-03-10T23:00:00")
    computer.frame("oldest.fits", begun="2026-03-01T23:00:00")


def nights_on(stick):
    return sorted(path.name for path in stick.iterdir() if path.is_dir())


@pytest.mark.parametrize(
    ("scope", "expected"),
    [
        (Scope(), ["2026-03-01", "2026-03-10", BAG]),
        (Scope(nights=frozenset({date(2026, 3, 10)})), ["2026-03-10"]),
        (Scope(since=date(2026, 3, 10)), ["2026-03-10", BAG]),
        (Scope(everything=True), ["2026-03-01", "2026-03-10", BAG]),
    ],
)
def test_the_nights_that_were_asked_for_are_carried(computer, stick, scope, expected):
    two_more_nights(computer)
    outcome = computer.send(stick, scope=scope)
    assert outcome.exit_code is ExitCode.PROVEN
    assert nights_on(stick) == expected
    for night in expected:
        assert_valid(stick / night)
    assert [left.night.isoformat() for left in outcome.left_behind] == sorted(
        {"2026-03-01", "2026-03-10", BAG} - set(expected)
    )


def test_a_night_that_nobody_has_is_told_from_sources_that_are_empty(computer, stick):
    computer.small_night()
    asked = computer.send(stick, scope=Scope(nights=frozenset({date(2020, 1, 1)})))
    assert asked.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert "2020-01-01" in asked.message
    assert nights_on(stick) == []


def test_empty_sources_are_told(computer, stick):
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert "No file" in outcome.message
    assert FindingKind.NOTHING_MATCHED in kinds(outcome)


# Names


NASTY = [
    "100%.log",
    "tab\tnew\nline.log",
    "escape\x1b[31m.log",
    "trailing space ",
    "trailing dot.",
    "CON",
    "nul.txt",
    "quote\"and'apostrophe.log",
    "back\\slash.log",
    "~home.log",
    "Caf\u00e9.log",
    "Cafe\u0301.log",
    "stra\u00dfe.log",
    "STRASSE.log",
    "ab\u2028cd.log",
    "n" * 251 + ".log",
]
TWINS = ["light.log", "LIGHT.log", "sub/One.log", "SUB/one.log"]


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux makes all these names")
def test_every_name_a_source_can_have_arrives_under_one_that_every_reader_takes(computer, stick):
    for number, name in enumerate([*NASTY, *TWINS]):
        computer.log(name, b"content %d" % number)
    computer.log("not \udcff\udcfe unicode.log", b"raw")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert_valid(stick / BAG)
    told = entries(stick / BAG)
    originals = {entry.original: entry for entry in told.values()}
    assert originals.keys() == {*NASTY, *TWINS, "not \udcff\udcfe unicode.log"}
    for entry in told.values():
        assert (computer.logs / entry.original).read_bytes() == (stick / BAG / entry.path).read_bytes()
    assert len({path.casefold() for path in told}) == len(told)
    assert "Nothing new" in computer.send(stick).message
    receipt = (stick / "READ ME FIRST.txt").read_text(encoding="utf-8")
    assert all(character.isprintable() or character == "\n" for character in receipt)


def test_a_twin_of_a_file_that_an_earlier_run_left_unproven_gets_a_name_of_its_own(computer, stick):
    computer.log("light.log", b"lower")
    computer.send(stick)
    unfinish(stick / BAG)
    computer.log("LIGHT.log", b"upper")
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    assert sorted(payload(stick / BAG).values()) == [b"lower", b"upper"]
    names = list(payload(stick / BAG))
    assert len({name.casefold() for name in names}) == 2
    assert_valid(stick / BAG)


def unfinish(bag):
    """Make a bag what a run leaves that dies before it writes its first manifest."""
    from transfer.engine.bag.journal import journal_line

    lines = b"".join(journal_line(entry) for entry in entries(bag).values())
    for name in ("manifest-sha256.txt", "tagmanifest-sha256.txt", "nightferry/entries.jsonl"):
        (bag / name).unlink()
    (bag / "nightferry/journal.jsonl").write_bytes(lines)


# What an earlier run left


def test_what_an_earlier_run_left_whole_is_proven_and_not_carried_again(computer, stick):
    computer.small_night()
    computer.send(stick)
    unfinish(stick / BAG)
    nodes = {path: path.stat().st_ino for path in (stick / BAG / "data").rglob("*") if path.is_file()}
    outcome = computer.send(stick)
    assert (outcome.exit_code, outcome.files_proven) == (ExitCode.PROVEN, 5)
    assert {path: path.stat().st_ino for path in nodes} == nodes
    assert_valid(stick / BAG)


def test_what_an_earlier_run_left_damaged_is_carried_again(computer, stick):
    computer.small_night()
    computer.send(stick)
    unfinish(stick / BAG)
    with (stick / BAG / "data/frames/darks/dark_1.fits").open("r+b") as file:
        file.seek(4000)
        file.write(b"\xff")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert FindingKind.WRITTEN_AGAIN in kinds(outcome)
    assert_valid(stick / BAG)


def test_what_an_earlier_run_left_damaged_is_kept_aside_where_its_source_is_gone(computer, stick):
    computer.small_night()
    lost = computer.log("lost.log", b"only here")
    computer.send(stick)
    unfinish(stick / BAG)
    lost.unlink()
    (stick / BAG / "data/logs/lost.log").write_bytes(b"0nly here")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert outcome.files_unproven == 1
    aside = stick / BAG / "nightferry/set-aside"
    assert [path.read_bytes() for path in aside.iterdir()] == [b"0nly here"]
    assert "data/logs/lost.log" not in payload(stick / BAG)
    assert listed_truly(stick / BAG) == set(payload(stick / BAG))


def test_an_unfinished_night_is_finished_though_its_sources_are_gone(computer, stick):
    computer.small_night()
    computer.send(stick)
    unfinish(stick / BAG)
    for path in sorted((computer.root / "computer").rglob("*")):
        if path.is_file():
            path.unlink()
    computer.frame("next.fits", begun="2026-03-20T22:00:00")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert_valid(stick / BAG)
    assert_valid(stick / "2026-03-20")


def test_two_unfinished_nights_are_both_finished(computer, stick):
    two_more_nights(computer)
    computer.send(stick, scope=Scope(everything=True))
    unfinish(stick / "2026-03-01")
    unfinish(stick / "2026-03-10")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert [str(night.night) for night in outcome.nights] == [BAG, "2026-03-10", "2026-03-01"]
    for night in (BAG, "2026-03-10", "2026-03-01"):
        assert_valid(stick / night)


def test_a_file_of_somebody_elses_in_the_way_is_set_aside_and_kept(computer, stick):
    theirs = stick / BAG / "data/logs/mount.log"
    theirs.parent.mkdir(parents=True)
    theirs.write_bytes(b"not ours")
    computer.small_night()
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    assert_valid(stick / BAG)
    assert [path.read_bytes() for path in (stick / BAG / "nightferry/set-aside").iterdir()] == [b"not ours"]


def test_a_torn_swap_of_the_lists_forgets_nothing(computer, stick):
    computer.small_night()
    lost = computer.log("lost.log", b"only on the drive")
    computer.send(stick)
    lost.unlink()
    (stick / BAG / "tagmanifest-sha256.txt").unlink()  # the first step of a swap, and the power went
    computer.frame("late.fits", begun="2026-03-15T02:00:00")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert outcome.nights[0].carried == 1
    assert payload(stick / BAG)["data/logs/lost.log"] == b"only on the drive"
    assert_valid(stick / BAG)
    assert not (stick / BAG / "nightferry/set-aside").exists()


@pytest.mark.parametrize("remembered", [True, False])
@pytest.mark.parametrize(
    "damage",
    [
        lambda text: text[:-40],
        lambda text: b"\xff\xfe\n" + text,
        lambda text: text.replace(b'"data/', b'"../../', 1),
        lambda text: text.replace(b'"data/', b'"data/\\u0000', 1),
        lambda text: text.replace(b'"sha256":"', b'"sha256":"0', 1),
        lambda text: b"",
    ],
)
def test_a_damaged_list_is_set_aside_with_its_bag_and_the_night_carried_anew(
    computer, stick, damage, remembered
):
    computer.small_night()
    computer.send(stick)
    listed = stick / BAG / "nightferry/entries.jsonl"
    listed.write_bytes(damage(listed.read_bytes()))
    if not remembered:
        computer.records_name = "other records"
        computer.configure()
    computer.frame("late.fits", begun="2026-03-15T02:00:00")
    outcome = computer.send(stick)
    assert (outcome.exit_code, outcome.files_proven) == (ExitCode.PROVEN, 6)
    assert [found.kind for found in of_kind(outcome, FindingKind.MALFORMED)] == [FindingKind.MALFORMED]
    assert_valid(stick / BAG)
    aside = stick / f"{BAG} (set aside 1)"
    assert len(payload(aside)) == 5
    assert not (stick.parent / "entries.jsonl").exists()


def test_a_bag_without_entries_is_set_aside_not_overwritten(computer, stick):
    computer.small_night()
    computer.send(stick)
    (stick / BAG / "nightferry/entries.jsonl").unlink()
    (stick / BAG / "tagmanifest-sha256.txt").unlink()
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    assert len(payload(stick / f"{BAG} (set aside 1)")) == 5
    assert_valid(stick / BAG)


# Several drives


def test_two_drives_get_the_night_from_one_read(computer, stick, tmp_path):
    computer.small_night()
    computer.frame("large.fits", data=noise(3 << 20))
    other = prepared(tmp_path / "card", "Card")
    outcome = computer.send(stick, other)
    assert outcome.exit_code is ExitCode.PROVEN
    assert {night.drive: night.proven for night in outcome.nights} == {"Field stick": 6, "Card": 6}
    assert payload(stick / BAG) == payload(other / BAG)
    assert_valid(stick / BAG)
    assert_valid(other / BAG)


def test_a_drive_that_has_part_of_the_night_gets_the_rest(computer, stick, tmp_path):
    other = prepared(tmp_path / "card", "Card")
    computer.small_night()
    computer.send(stick)
    computer.frame("late.fits", begun="2026-03-15T02:00:00")
    outcome = computer.send(stick, other)
    assert {night.drive: night.carried for night in outcome.nights} == {"Field stick": 1, "Card": 6}
    assert_valid(stick / BAG)
    assert_valid(other / BAG)


def test_a_drive_named_twice_is_sent_to_once(computer, stick):
    computer.small_night()
    outcome = computer.send(stick, stick.parent / "." / stick.name)
    assert (outcome.exit_code, len(outcome.nights)) == (ExitCode.PROVEN, 1)


def test_a_drive_that_is_not_there_is_named_and_the_others_are_sent_to(computer, stick):
    computer.small_night()
    name = f"Stick {uuid.uuid4()}"  # every mounted volume is looked at
    prepared(stick, name)
    computer.drives = [f"name = \"{name}\"\nfolder = '{stick}'", 'name = "No such card"']
    computer.configure()
    outcome = computer.send()
    assert outcome.exit_code is ExitCode.PROVEN
    assert outcome.absent == ("No such card",)
    assert "No such card" in (stick / "READ ME FIRST.txt").read_text()


# Files that live


def writer(path):
    """Start a program that has the file open for writing until its input ends."""
    code = f"import sys; f = open({os.fspath(path)!r}, 'ab'); print('open', flush=True); sys.stdin.read()"
    program = subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert program.stdout.readline() == "open\n"
    return program


@pytest.mark.skipif(sys.platform != "linux", reason="tried with Linux's leases")
def test_a_file_that_its_program_has_open_is_carried_as_it_is_and_looked_at_again(computer, stick):
    log = computer.log("mount.log", b"22:00 slewing\n")
    with writer(log) as program:
        outcome = computer.send(stick)
        assert outcome.exit_code is ExitCode.PROVEN
        assert [found.path for found in of_kind(outcome, FindingKind.STILL_GROWING)] == ["logs/mount.log"]
        assert entries(stick / BAG)["data/logs/mount.log"].growing
        program.communicate("")
    again = computer.send(stick)
    assert again.exit_code is ExitCode.PROVEN
    assert FindingKind.STILL_GROWING not in kinds(again)
    assert not entries(stick / BAG)["data/logs/mount.log"].growing
    assert_valid(stick / BAG)
    assert "Nothing new" in computer.send(stick).message


@need_links
def test_a_link_that_leads_back_is_told_and_followed_no_further(computer, stick):
    computer.small_night()
    (computer.logs / "loop").symlink_to(computer.logs, target_is_directory=True)
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert [found.path for found in of_kind(outcome, FindingKind.FOLDER_LOOP)] == ["logs/loop"]
    assert outcome.files_proven == 5


def test_a_run_says_when_it_waits_for_a_flush(computer, stick):
    computer.small_night()
    told = []
    computer.send(stick, listen=told.append)
    began = [event for event in told if isinstance(event, PhaseBegan) and event.phase is Phase.FLUSHING]
    ended = [event for event in told if isinstance(event, PhaseEnded) and event.phase is Phase.FLUSHING]
    assert [event.total_bytes for event in began] == [computer.send(stick).bytes_proven]
    assert len(ended) == 1


# What --json and the receipt tell


def test_the_outcome_has_every_key_that_scripts_rely_on(computer, stick):
    computer.small_night()
    document = json.loads(json.dumps(computer.send(stick).as_json()))
    assert {"command", "exit", "message", "findings", "nights", "files_proven", "files_unproven"} <= set(
        document
    )
    assert {"bytes_proven", "safe_to_pull"} <= set(document)
    (night,) = document["nights"]
    assert {"night", "drive", "files", "bytes", "proven", "read_back"} <= set(night)
    size = sum(path.stat().st_size for path in (computer.root / "computer").rglob("*") if path.is_file())
    assert (document["bytes_proven"], night["bytes"], night["read_back"]) == (size, size, "medium")


def test_the_receipt_is_kept_on_the_computer_too(computer, stick):
    computer.small_night()
    computer.send(stick)
    (kept,) = (computer.records / "receipts").iterdir()
    on_the_drive = (stick / "READ ME FIRST.txt").read_text().splitlines()
    assert [line for line in kept.read_text().splitlines() if line not in on_the_drive] == []
    assert "M 51" in kept.read_text()
