"""A drive that fails, lies, fills up or hangs: nothing is claimed that is not so; the next run completes."""

import random

import pytest

from manifests.findings import FindingKind
from tests.support.faulty_drive import faulty, need_fuse
from tests.support.nights import (
    NIGHT,
    assert_valid,
    assert_whole_under_final_names,
    listed_truly,
    noise,
    payload,
    prepared,
)
from transfer.errors import ExitCode
from transfer.jobs.send.survey import Scope
from transfer.stop import Stop

BAG = NIGHT.isoformat()
FIVE = {
    "frames/M 51/Ha/light 1.fits",
    "frames/M 51/Ha/light 2.fits",
    "frames/darks/dark_1.fits",
    "logs/mount.log",
    "logs/weather/2026-03-14/mast.csv",
}


@pytest.fixture(autouse=True)
def _fuse():
    need_fuse()


@pytest.fixture
def night(computer):
    computer.small_night()
    return computer


def sources(computer):
    return {"frames": computer.frames, "logs": computer.logs}


def kinds(outcome):
    return {finding.kind for finding in outcome.all_findings()}


def send_to(computer, folder, *rules, **more):
    """Send to a prepared drive with these faults; return the outcome, how many were made, and the drive."""
    behind = prepared(folder / "behind")
    with faulty(folder, *rules) as drive:
        outcome = computer.send(drive.path, **more)
        return outcome, drive.faults, behind


# Anything, anywhere


def every_fault():
    """Return one fault of each kind at each of the calls that a small night takes, and what follows it."""
    once = [("write", what) for what in ("flip", "drop", "short", "EIO", "ENOSPC")]
    once += [(call, "EIO") for call in ("fsync", "fsyncdir", "create", "rename", "read", "mkdir", "flush")]
    for_good = [("write", "EIO"), ("write", "ENOSPC"), ("write", "ENODEV"), ("fsync", "ENOTCONN")]
    for_good += [
        ("fsync", "EIO"),
        ("rename", "EROFS"),
        ("create", "EROFS"),
        ("read", "flip"),
        ("read", "EIO"),
    ]
    rules = [f"{call}||{first}|1|{what}" for call, what in once for first in range(1, 40)]
    return rules + [f"{call}||{first}|9999|{what}" for call, what in for_good for first in range(1, 40)]


@pytest.mark.parametrize("rule", sorted(random.Random(20260314).sample(every_fault(), 40)))
def test_whatever_goes_wrong_nothing_is_claimed_that_is_not_so(night, tmp_path, rule):
    before = night.fingerprint()
    outcome, _, drive = send_to(night, tmp_path / "faulty", rule)
    bag = drive / BAG
    proven = outcome.files_proven
    if outcome.exit_code is ExitCode.PROVEN:
        assert_valid(bag)
        assert len(payload(bag)) == proven == 5
    else:
        assert proven <= len(listed_truly(bag))
        assert_whole_under_final_names(bag, sources(night))
        assert (
            not (drive / "READ ME FIRST.txt").exists() or "NOT" in (drive / "READ ME FIRST.txt").read_text()
        )
    assert night.fingerprint() == before
    again = night.send(drive)
    assert (again.exit_code, again.files_proven) == (ExitCode.PROVEN, 5)
    assert_valid(bag)
    assert night.fingerprint() == before


# Copies that do not match


def test_a_flipped_write_is_found_written_again_and_reported(night, tmp_path):
    outcome, faults, drive = send_to(night, tmp_path / "faulty", r"write|/2\.part|1|1|flip")
    assert (outcome.exit_code, faults, outcome.files_proven) == (ExitCode.PROVEN, 1, 5)
    assert FindingKind.WRITTEN_AGAIN in kinds(outcome)
    assert_valid(drive / BAG)


def test_a_file_that_always_flips_gets_no_final_name_and_costs_no_other_its_proof(night, tmp_path):
    night.log("cursed.log", noise(70_000))
    with faulty(tmp_path / "faulty", r"read|cursed|1|9999|flip") as drive:
        prepared(drive.behind)
        outcome = night.send(drive.path)
        assert drive.faults >= 3
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert (outcome.files_proven, outcome.files_unproven) == (5, 1)
    unproven = [found for found in outcome.all_findings() if found.kind is FindingKind.NOT_PROVEN]
    assert [found.path for found in unproven] == ["logs/cursed.log"]
    assert "data/logs/cursed.log" not in payload(drive.behind / BAG)
    assert len(listed_truly(drive.behind / BAG)) == 5
    assert night.send(drive.behind).exit_code is ExitCode.PROVEN
    assert_valid(drive.behind / BAG)


def test_one_bad_file_makes_the_run_read_back_all_that_it_wrote(night, tmp_path):
    with faulty(tmp_path / "faulty", r"read|mount\.log|1|1|flip") as drive:
        prepared(drive.behind)
        assert night.send(drive.path).exit_code is ExitCode.PROVEN
        size = (night.frames / "M 51/Ha/light 1.fits").stat().st_size
        assert drive.bytes_read("light 1.fits") >= 2 * size


def test_a_bad_file_of_one_night_has_the_other_nights_read_again(night, tmp_path):
    night.frame("older.fits", begun="2026-03-10T22:00:00", data=noise(100))
    behind = prepared(tmp_path / "faulty/behind")
    night.send(behind, scope=Scope(nights=frozenset({NIGHT})))
    night.log("late.log")
    (behind / "2026-03-10").mkdir()

    with faulty(tmp_path / "faulty", r"read|older\.fits|1|1|flip", behind=behind) as drive:
        outcome = night.send(drive.path, scope=Scope(everything=True))
        assert outcome.exit_code is ExitCode.PROVEN
        assert drive.bytes_read("late.log") >= 2 * (night.logs / "late.log").stat().st_size
    assert_valid(behind / BAG)
    assert_valid(behind / "2026-03-10")


def test_a_manifest_that_was_written_wrong_is_written_again(night, tmp_path):
    outcome, faults, drive = send_to(night, tmp_path / "faulty", r"write|manifest-sha256|1|1|flip")
    assert (outcome.exit_code, faults) == (ExitCode.PROVEN, 1)
    assert_valid(drive / BAG)


def test_a_journal_that_the_drive_spoils_is_no_proof(night, tmp_path):
    outcome, faults, drive = send_to(night, tmp_path / "faulty", r"write|journal\.jsonl|1|1|flip")
    assert faults == 1
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert outcome.files_proven == len(listed_truly(drive / BAG)) < 5
    assert night.send(drive).files_proven == 5
    assert_valid(drive / BAG)


def test_a_receipt_that_cannot_be_written_is_no_success(night, tmp_path):
    outcome, _, drive = send_to(night, tmp_path / "faulty", r"write|READ ME|2|9999|flip")
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert not outcome.safe_to_pull
    assert_valid(drive / BAG)
    assert night.send(drive).exit_code is ExitCode.PROVEN
    assert (drive / "READ ME FIRST.txt").read_text().startswith("SAFE ON ")  # and the words are lifted


# Flushes


def test_a_failed_flush_voids_its_batch_which_is_written_again(night, tmp_path):
    with faulty(tmp_path / "faulty", r"fsync|incoming/\d+\.part|1|1|EIO") as drive:
        prepared(drive.behind)
        outcome = night.send(drive.path)
        assert drive.faults == 1
        assert outcome.exit_code is ExitCode.PROVEN
    assert_valid(drive.behind / BAG)


def test_a_drive_that_keeps_failing_is_given_up(night, tmp_path):
    outcome, _, _ = send_to(night, tmp_path / "faulty", r"fsync|incoming/\d+\.part|1|9999|EIO")
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert outcome.files_unproven == 5
    unproven = [found for found in outcome.all_findings() if found.kind is FindingKind.NOT_PROVEN]
    assert {found.path for found in unproven} == FIVE
    assert all("could not be written (Input/output error)" in found.detail for found in unproven)


def test_a_drive_that_cannot_keep_times_takes_the_night_all_the_same(night, tmp_path):
    outcome, faults, drive = send_to(night, tmp_path / "faulty", r"utimens||1|9999|EPERM")
    assert (outcome.exit_code, faults) == (ExitCode.PROVEN, 5)
    assert_valid(drive / BAG)


def test_a_log_whose_place_is_taken_is_never_listed_with_its_older_digest(night, tmp_path):
    """A death at every step of a replacement: the manifest lists the log truly, or not at all."""
    log = night.logs / "mount.log"
    behind = prepared(tmp_path / "behind")
    night.send(behind)
    night.append(log, b"22:10 tracking\n")
    for first in range(1, 30):
        folder = tmp_path / f"faulty {first}"
        with faulty(folder, f"rename||{first}|9999|ENOTCONN", behind=behind) as drive:
            outcome = night.send(drive.path)
            faults = drive.faults
        listed_truly(behind / BAG)
        if not faults:
            break
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
        night.append(log, b"and on\n")
    assert outcome.exit_code is ExitCode.PROVEN
    assert first > 5
    assert_valid(behind / BAG)


@pytest.mark.parametrize("first", range(1, 8))
def test_a_log_that_could_not_leave_the_manifest_keeps_its_place(night, tmp_path, first):
    log = night.logs / "mount.log"
    behind = prepared(tmp_path / "behind")
    night.send(behind)
    night.append(log, b"22:10 tracking\n")
    with faulty(tmp_path / "faulty", f"create|bag-info|{first}|9999|EIO", behind=behind) as drive:
        outcome = night.send(drive.path)
        faults = drive.faults
    listed_truly(behind / BAG)
    assert (outcome.exit_code is ExitCode.PROVEN) == (faults == 0)
    assert night.send(behind).exit_code is ExitCode.PROVEN
    assert_valid(behind / BAG)


# What a drive cannot hold


def test_a_drive_that_fills_up_proves_what_stands_on_it(night, tmp_path):
    outcome, _, drive = send_to(night, tmp_path / "faulty", r"write|/4\.part|1|1|ENOSPC")
    assert outcome.exit_code is ExitCode.DOES_NOT_FIT
    assert (outcome.files_proven, outcome.files_unproven) == (3, 2)
    assert len(listed_truly(drive / BAG)) == 3
    assert night.send(drive).files_proven == 5
    assert_valid(drive / BAG)


def test_a_file_that_the_drive_refuses_is_reported_and_the_others_are_proven(night, tmp_path):
    outcome, _, drive = send_to(night, tmp_path / "faulty", r"write|/2\.part|1|1|EFBIG")
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert (outcome.files_proven, outcome.files_unproven) == (4, 1)
    assert FindingKind.TOO_LARGE in kinds(outcome)
    assert len(listed_truly(drive / BAG)) == 4


def test_a_name_that_the_drive_refuses_costs_no_other_file_its_place(night, tmp_path):
    outcome, faults, drive = send_to(night, tmp_path / "faulty", r"rename|data/logs/mount\.log|1|9999|EPERM")
    assert (outcome.exit_code, faults) == (ExitCode.SOMETHING_UNPROVEN, 1)
    assert (outcome.files_proven, outcome.files_unproven) == (4, 1)
    (unproven,) = [found for found in outcome.all_findings() if found.kind is FindingKind.NOT_PROVEN]
    assert unproven.path == "logs/mount.log"
    assert "refuses its name" in unproven.detail
    assert_valid(drive / BAG)
    assert night.send(drive).files_proven == 5
    assert_valid(drive / BAG)


def test_a_journal_on_a_full_drive_takes_the_space_that_was_kept(night, tmp_path):
    outcome, faults, drive = send_to(night, tmp_path / "faulty", r"write|journal|1|1|ENOSPC")
    assert (outcome.exit_code, faults) == (ExitCode.PROVEN, 1)
    assert_valid(drive / BAG)


def test_a_write_protected_drive_says_so(night, tmp_path):
    outcome, _, _ = send_to(night, tmp_path / "faulty", r"create||1|9999|EROFS")
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert "write-protected" in outcome.message


def test_a_mark_that_cannot_be_read_is_not_taken_for_no_mark(night, tmp_path):
    outcome, _, _ = send_to(night, tmp_path / "faulty", r"open|nightferry-drive|1|9999|EIO")
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert "cannot be opened" in outcome.message
    assert "prepare" not in outcome.next_step


# Several drives


def test_each_source_is_read_once_for_all_drives(night, tmp_path):
    night.frame("large.fits", data=noise(2 << 20))
    drives = [prepared(tmp_path / name, name) for name in ("stick", "card", "share")]
    with faulty(tmp_path / "source", behind=night.root / "computer") as source:
        moved = night.file.read_text().replace('"computer/', f'"{source.path}/')
        night.file.write_text(moved)
        assert night.send(*drives).exit_code is ExitCode.PROVEN
        read = source.bytes_read(".fits")
    size = sum(path.stat().st_size for path in night.frames.rglob("*.fits"))
    headers = 3 * 128 * 1024  # the survey looks at each header first; the system reads ahead of it
    assert size <= read <= size + headers
    for drive in drives:
        assert_valid(drive / BAG)


@pytest.mark.parametrize(
    "rule",
    [
        r"write|/2\.part|1|9999|ENODEV",
        r"write|/2\.part|1|9999|ENOSPC",
        r"fsync||1|9999|EIO",
        r"create||1|9999|EROFS",
        r"read|mount\.log|1|9999|flip",
        r"write|READ ME|1|9999|EIO",
    ],
)
def test_a_drive_that_fails_takes_no_other_with_it(night, stick, tmp_path, rule):
    behind = prepared(tmp_path / "faulty/behind", "Bad card")
    with faulty(tmp_path / "faulty", rule) as drive:
        outcome = night.send(drive.path, stick)
    assert outcome.exit_code is not ExitCode.PROVEN
    assert not outcome.safe_to_pull
    assert {each.drive: each.proven for each in outcome.nights}["Field stick"] == 5
    assert_valid(stick / BAG)
    listed_truly(behind / BAG)


def test_a_drive_that_is_full_before_the_first_byte_takes_no_other_with_it(night, stick, tmp_path):
    night.frame("large.fits", data=noise(1 << 20))
    behind = prepared(tmp_path / "faulty/behind", "Full card")
    with faulty(tmp_path / "faulty", "statfs||1|9999|full") as drive:
        outcome = night.send(drive.path, stick)
    assert outcome.exit_code is ExitCode.DOES_NOT_FIT
    assert {each.drive: each.proven for each in outcome.nights} == {"Full card": 0, "Field stick": 6}
    assert not (behind / BAG).exists()
    assert_valid(stick / BAG)


# A drive that hangs


def test_a_command_with_a_time_limit_ends_though_its_drive_hangs(night, tmp_path):
    prepared(tmp_path / "faulty/behind")
    with faulty(tmp_path / "faulty", r"write|\d\.part|1|1|hang") as drive:
        ran = night.command("send", "--json", "--drive", drive.path, "--time-limit", "2s", ends_within_s=30)
        assert drive.faults == 1
    assert ran.exit == ran.document["exit"] == ExitCode.STOPPED_EARLY
    assert (ran.document["safe_to_pull"], ran.document["files_proven"]) == (False, 0)
    unproven = [found["path"] for found in ran.document["findings"] if found["finding"] == "not proven"]
    assert sorted(unproven) == sorted(FIVE)
    (receipt,) = (night.records / "receipts").iterdir()
    text = " ".join(receipt.read_text().split())
    assert "had not taken yet all that was written to it; ended early: the time limit was reached" in text


@pytest.mark.parametrize("call", ["write", "fsync", "rename", "read"])
def test_a_drive_that_hangs_does_not_keep_another_from_its_proof(night, stick, tmp_path, call):
    """The run has to end while one drive hangs: what the other has by then is read back, and listed."""
    prepared(tmp_path / "faulty/behind", "Bad card")
    where = "data/" if call in ("rename", "read") else r"\d\.part"
    with faulty(tmp_path / "faulty", f"{call}|{where}|1|1|hang") as drive:
        stop = Stop(60, clock=lambda: 1e9 * bool(drive.faults))
        outcome = night.send(drive.path, stick, stop=stop)
    assert outcome.exit_code is ExitCode.STOPPED_EARLY
    assert {each.drive: each.proven for each in outcome.nights}["Bad card"] == 0
    listed_truly(stick / BAG)
    again = night.send(stick)
    assert again.exit_code is ExitCode.PROVEN
    assert_valid(stick / BAG)
