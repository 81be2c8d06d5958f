"""What a person is told when Windows says no: whole runs against recorded answers; not run on Windows here.

Codes and their names: Microsoft, "System error codes". That a removed stick answers with 21, 433, 1167 or 55
is from memory of such sticks.
"""

import pytest

from manifests.findings import FindingKind
from tests.support.nights import NIGHT, assert_valid, listed_truly, prepared
from tests.support.recorded_windows import Rule, System
from transfer.engine.medium.windows import openings
from transfer.engine.medium.windows.medium import WindowsMedium
from transfer.engine.medium.windows.paths import extended
from transfer.errors import ExitCode
from transfer.stop import Stop

BAG = NIGHT.isoformat()
ALL = 5


class Hasty(Stop):
    """Nothing to wait for: what is in the way here goes by itself, or never."""

    def pause(self, seconds):
        return None


class Desk:
    """A computer with a small night and a prepared stick, both behind one stand-in for Windows."""

    def __init__(self, computer, root):
        computer.small_night()
        self.computer = computer
        self.stick = prepared(root / "stick")
        self.root = root

    def send(self, *rules):
        system = self.system = System(self.stick)
        system.stands_for_itself(self.root)
        system.rules = list(rules)
        outcome = self.computer.send(self.stick, medium=WindowsMedium(system), stop=Hasty())
        assert all(rule.made for rule in rules), "the call was not made"
        return outcome

    def listed(self):
        return listed_truly(self.stick / BAG) if (self.stick / BAG).exists() else set()


@pytest.fixture
def desk(computer, tmp_path):
    made = Desk(computer, tmp_path)
    before = computer.fingerprint()
    yield made
    assert computer.fingerprint() == before
    assert made.send().exit_code == ExitCode.PROVEN, "once Windows says yes again, all is well"
    assert len(made.listed()) == ALL
    assert_valid(made.stick / BAG)


def _told(outcome):
    return {(finding.kind, finding.path, finding.detail) for finding in outcome.all_findings()}


def test_a_night_is_carried_and_read_back_past_the_cache(desk):
    outcome = desk.send()
    assert outcome.exit_code == ExitCode.PROVEN
    assert (
        outcome.message == "All 5 files (26.0 kB) are on 'Field stick', read back from the medium and equal."
    )


def test_a_source_is_looked_at_and_read_while_its_program_may_rename_and_write(desk):
    desk.send()
    frame = extended(str(desk.computer.frames / "M 51/Ha/light 1.fits"))
    opened = [call[2] for call in desk.system.called if call[:2] == ("open", frame)]
    assert opened == [openings.SOURCE] * 2, "once for its header, once to be carried"


@pytest.mark.parametrize(
    ("code", "kind", "detail"),
    [
        (32, FindingKind.LOCKED, "tried three times; the next run tries again"),  # ERROR_SHARING_VIOLATION
        (33, FindingKind.LOCKED, "tried three times; the next run tries again"),  # ERROR_LOCK_VIOLATION
        (5, FindingKind.UNREADABLE, "Windows error 5"),  # ERROR_ACCESS_DENIED
        (2, FindingKind.VANISHED, "it was there when the sources were looked at"),  # ERROR_FILE_NOT_FOUND
        (3, FindingKind.VANISHED, "it was there when the sources were looked at"),  # ERROR_PATH_NOT_FOUND
    ],
)
def test_a_source_that_windows_does_not_open_is_told_by_its_reason_and_the_rest_carried(
    desk, code, kind, detail
):
    outcome = desk.send(Rule("open", code, "mount.log"))
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert _told(outcome) == {(kind, "logs/mount.log", detail)}
    assert len(desk.listed()) == ALL - 1


@pytest.mark.parametrize("code", [32, 33])
def test_a_source_that_is_locked_for_a_moment_is_tried_again_after_the_others(desk, code):
    assert desk.send(Rule("open", code, "mount.log", times=2)).exit_code == ExitCode.PROVEN


def test_a_log_that_its_program_holds_open_for_writing_is_carried_as_still_growing(desk):
    outcome = desk.send(Rule("reopen", 32, "mount.log"))
    assert outcome.exit_code == ExitCode.PROVEN
    assert _told(outcome) == {(FindingKind.STILL_GROWING, "logs/mount.log", "its program still has it open")}


# ERROR_HANDLE_DISK_FULL, ERROR_DISK_FULL, ERROR_DISK_QUOTA_EXCEEDED
@pytest.mark.parametrize("code", [39, 112, 1295])
@pytest.mark.parametrize(
    ("call", "part"), [("open_in", "incoming"), ("make_folder", ""), ("flush", "incoming")]
)
def test_a_full_drive_is_called_full(desk, code, call, part):
    outcome = desk.send(Rule(call, code, part))
    assert outcome.exit_code == ExitCode.DOES_NOT_FIT
    assert outcome.message.endswith("5 are not. The drive is full.")
    assert desk.listed() == set()


# ERROR_NOT_READY, ERROR_NO_SUCH_DEVICE, ERROR_DEVICE_NOT_CONNECTED, ERROR_DEV_NOT_EXIST
@pytest.mark.parametrize("code", [21, 433, 1167, 55])
@pytest.mark.parametrize(
    ("call", "part"),
    [("open_in", "incoming"), ("flush", "incoming"), ("move", ""), ("read", "light 1"), ("make_folder", "")],
)
def test_a_stick_that_left_is_called_that_and_nothing_of_it_proven(desk, code, call, part):
    outcome = desk.send(Rule(call, code, part))
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert outcome.message == (
        f"0 files (0 bytes) are proven on 'Field stick'; 5 are not. The drive left (Windows error {code})."
    )
    assert desk.listed() == set()


# ERROR_WRITE_PROTECT
@pytest.mark.parametrize(("call", "part"), [("open_in", "incoming"), ("make_folder", "")])
def test_a_write_protected_stick_is_called_that(desk, call, part):
    outcome = desk.send(Rule(call, 19, part))
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert "write-protected" in outcome.message


# ERROR_CRC, ERROR_SECTOR_NOT_FOUND, ERROR_IO_DEVICE, and one that this program does not know
@pytest.mark.parametrize("code", [23, 27, 1117, 31])
def test_a_flush_that_keeps_failing_ends_the_run_and_one_that_failed_once_costs_a_rewrite(desk, code):
    outcome = desk.send(Rule("flush", code, "incoming"))
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert f"(Windows error {code})" in outcome.message
    assert desk.listed() == set()
    assert desk.send(Rule("flush", code, "incoming", times=1)).exit_code == ExitCode.PROVEN


# ERROR_CRC
def test_a_sector_that_cannot_be_read_back_has_its_file_written_again_and_told(desk):
    outcome = desk.send(Rule("read", 23, "light 1", times=1))
    assert outcome.exit_code == ExitCode.PROVEN
    assert [finding.kind for finding in outcome.all_findings()] == [FindingKind.WRITTEN_AGAIN]


def test_a_file_that_never_reads_back_is_not_proven_and_the_others_are(desk):
    outcome = desk.send(Rule("read", 23, "light 1"))
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert [finding.path for finding in outcome.all_findings()] == ["frames/M 51/Ha/light 1.fits"]
    assert len(desk.listed()) == ALL - 1


def test_what_scans_new_files_is_waited_for(desk):
    rules = (
        Rule("move", 32, times=2),
        Rule("move", 5, times=2),
    )  # ERROR_SHARING_VIOLATION, ERROR_ACCESS_DENIED
    assert desk.send(*rules).exit_code == ExitCode.PROVEN


# ERROR_INVALID_FUNCTION, ERROR_ACCESS_DENIED, ERROR_NOT_SUPPORTED, ERROR_INVALID_PARAMETER
@pytest.mark.parametrize("code", [1, 5, 50, 87])
def test_a_file_system_that_flushes_no_folders_or_sets_no_times_still_takes_the_night(desk, code):
    outcome = desk.send(Rule("set_modified", code))
    assert outcome.exit_code == ExitCode.PROVEN


@pytest.mark.parametrize(
    ("rule", "exit_code", "told"),
    [
        (Rule("lock", 33), ExitCode.BUSY, "Another run is at work on this drive"),
        (Rule("lock", 32), ExitCode.BUSY, "Another run is at work on this drive"),
        (Rule("lock", 50), ExitCode.NOT_THERE, "The drive cannot be opened"),
        (Rule("volume_facts", 21), ExitCode.NOT_THERE, "The drive cannot be opened"),
        (Rule("facts", 1167), ExitCode.NOT_THERE, "The drive cannot be opened"),
    ],
)
def test_a_drive_that_cannot_be_begun_with_is_told_before_anything_is_written(desk, rule, exit_code, told):
    outcome = desk.send(rule)
    assert outcome.exit_code == exit_code
    assert told in outcome.message
    assert desk.listed() == set()
