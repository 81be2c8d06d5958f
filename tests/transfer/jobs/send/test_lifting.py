"""What was perhaps read from memory is read again once that reaches the medium, and the words follow."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from manifests.findings import FindingKind
from tests.support.nights import NIGHT, assert_valid, entries, noise, prepared
from transfer.cli.check import _lines
from transfer.cli.send import _report
from transfer.engine.bag.cold_reading import ColdReader
from transfer.engine.medium import Evidence, ReadBack, this_computer
from transfer.errors import DriveFailed, ExitCode
from transfer.jobs.check.checking import check
from transfer.jobs.send.ending import ending
from transfer.stop import Stop

Local = type(this_computer())
NOW = datetime(2026, 3, 15, 6, tzinfo=UTC)
BAG = NIGHT.isoformat()
WHY, COMMAND = "this user may not read it", "sudo setfacl -m u:night:r /dev/sdx1"


class Doubting(Local):
    """This computer, as a user who may not read the drive's device has it: nothing backs a read-back."""

    def pin(self, path):
        folder = super().pin(path)
        cold = folder.cold

        def doubted(paths):
            group = cold(paths)
            group.evidence = lambda: Evidence(ReadBack.PERHAPS_MEMORY, WHY, COMMAND)
            return group

        folder.cold = doubted
        return folder


@pytest.fixture
def drive(volumes, computer):
    """A drive with a night that was compared, but perhaps from memory."""
    computer.small_night()
    with volumes("ext4") as volume:
        prepared(volume.path)
        outcome = computer.send(volume.path, medium=Doubting())
        assert (outcome.exit_code, outcome.nights[0].read_back) == (ExitCode.PROVEN, "perhaps memory")
        assert receipt_of(volume.path).startswith("COMPARED ON ")
        yield volume.path


def receipt_of(root):
    return (root / "READ ME FIRST.txt").read_text()


def read_back(root):
    return {entry.read_back for entry in entries(root / BAG).values()}


def test_a_later_run_that_reads_from_the_medium_lifts_the_earlier_words(drive, computer):
    outcome = computer.send(drive)
    assert (outcome.exit_code, outcome.nothing_new) == (ExitCode.PROVEN, True)
    (night,) = outcome.nights
    assert (night.read_back, night.proven, night.files, night.carried) == ("medium", 5, 5, 0)
    assert read_back(drive) == {"medium"}
    assert receipt_of(drive).startswith("SAFE ON 'Field stick': 3 frames and 2 logs.")
    assert_valid(drive / BAG)
    assert computer.send(drive).nothing_new


def test_as_long_as_nothing_backs_it_nothing_is_read_again(drive, computer):
    before = (drive / BAG / "nightferry/entries.jsonl").stat().st_mtime_ns
    outcome = computer.send(drive, medium=Doubting())
    assert (outcome.nothing_new, outcome.nights[0].read_back) == (True, "perhaps memory")
    assert "perhaps from memory" in outcome.message
    assert (drive / BAG / "nightferry/entries.jsonl").stat().st_mtime_ns == before


def test_a_copy_that_was_bad_all_along_is_found_and_carried_again(drive, computer):
    """The first run has compared what was in memory: on the drive it is something else."""
    bad = drive / BAG / "data/logs/mount.log"
    bad.write_bytes(b"X" * bad.stat().st_size)
    outcome = computer.send(drive)
    assert outcome.exit_code is ExitCode.PROVEN
    assert bad.read_bytes() == b"22:00 slewing\n"
    assert FindingKind.WRITTEN_AGAIN in {found.kind for found in outcome.all_findings()}
    assert read_back(drive) == {"medium"}
    assert_valid(drive / BAG)


def test_a_bad_copy_whose_source_is_gone_is_listed_no_more_and_kept_aside(drive, computer):
    bad = drive / BAG / "data/logs/mount.log"
    bad.write_bytes(b"X" * bad.stat().st_size)
    plan_needs_it = computer.logs / "mount.log"

    def vanish(event):
        plan_needs_it.unlink(missing_ok=True)

    outcome = computer.send(drive, listen=vanish)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert "data/logs/mount.log" not in entries(drive / BAG)
    assert not bad.exists()
    aside = list((drive / BAG / "nightferry/set-aside").iterdir())
    assert [path.read_bytes() for path in aside] == [b"X" * 14]


def test_new_files_come_along_while_older_ones_are_read_again(drive, computer):
    computer.frame("late.fits", begun="2026-03-15T02:00:00", data=noise(900, 7))
    outcome = computer.send(drive)
    (night,) = outcome.nights
    assert (night.read_back, night.proven, night.files, night.carried) == ("medium", 6, 6, 1)
    assert read_back(drive) == {"medium"}
    assert_valid(drive / BAG)


# What is said of it


def test_a_run_with_nothing_new_names_the_reason_and_the_way_out_as_well(drive, computer, capsys):
    outcome = computer.send(drive, medium=Doubting())
    assert (outcome.nights[0].methods, outcome.nights[0].remedies) == ((WHY,), (COMMAND,))
    _report(outcome, each_finding=False)
    told = capsys.readouterr().out
    assert told.startswith("COMPARED ON 'Field stick', PERHAPS FROM MEMORY")
    assert WHY in told
    assert f"\n  {COMMAND}\n" in told
    assert "proven" not in told


def test_what_is_lifted_is_said_to_be_read_by_this_run_and_not_by_an_earlier_one(drive, computer, capsys):
    outcome = computer.send(drive)
    assert outcome.nights[0].proven_again == 5
    assert "5 files that were compared before, but perhaps from memory, were read back" in outcome.message
    _report(outcome, each_finding=False)
    assert COMMAND not in capsys.readouterr().out
    assert "were proven on 'Field stick' by an earlier run" in computer.send(drive).message


def test_a_run_that_fails_says_of_nothing_that_was_compared_that_it_is_proven(drive, computer):
    (night,) = computer.send(drive, medium=Doubting()).nights
    failed = replace(night, failure=DriveFailed("The drive left", drive))
    told = ending(NOW, NOW, Stop(), [failed], ()).message
    assert "compared, but perhaps from memory, on 'Field stick' by earlier runs; this one failed" in told
    assert "proven" not in told


def test_check_says_compared_where_it_is_not_sure_and_names_the_way_out(drive):
    doubted = check([drive], reader=lambda folder: ColdReader(Doubting(), folder))
    told = "\n".join(_lines(doubted, each_finding=False, width=None))
    assert "(5 compared, " in told
    assert "proven" not in told
    assert f"\n    {COMMAND}" in told
    sure = check([drive], reader=lambda folder: ColdReader(this_computer(), folder))
    assert "(5 proven, " in "\n".join(_lines(sure, each_finding=False, width=None))
