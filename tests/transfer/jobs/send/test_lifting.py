"""What was perhaps read from memory is read again once that reaches the medium, and the words follow."""

import pytest

from manifests.findings import FindingKind
from tests.support.nights import NIGHT, assert_valid, entries, noise, prepared
from transfer.engine.medium import Evidence, ReadBack, this_computer
from transfer.errors import ExitCode

Local = type(this_computer())
BAG = NIGHT.isoformat()


class Doubting(Local):
    """This computer, as a user who may not read the drive's device has it: nothing backs a read-back."""

    def pin(self, path):
        folder = super().pin(path)
        cold = folder.cold

        def doubted(paths):
            group = cold(paths)
            group.evidence = lambda: Evidence(ReadBack.PERHAPS_MEMORY, "this user may not read it")
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
