"""Which nights may go from a drive; a run that is cut off leaves one whole, or known for what it is."""

from __future__ import annotations

import json
import os
import shutil

import pytest

from manifests.findings import FindingKind
from tests.support.faulty_drive import faulty
from tests.support.nights import assert_valid, noise, prepared
from tests.transfer.jobs.clear.conftest import Home
from transfer.engine.drive import only_run_on
from transfer.engine.ledger import NAME, open_ledger
from transfer.engine.medium import this_computer
from transfer.errors import Busy, DriveFailed, ExitCode, NotThere
from transfer.jobs.send.survey import Scope
from transfer.stop import Stop

NIGHTS = ("2026-03-11", "2026-03-12", "2026-03-13", "2026-03-14")
LEFT = f"{NIGHTS[0]} (being let go)"
LIGHT = f"{NIGHTS[0]}/light 1.fits"


@pytest.fixture
def week(computer, stick, desk) -> Home:
    """Return four nights on one drive, filed and acknowledged; their sources are still there."""
    computer.drives = [f"name = 'Field stick'\nfolder = '{stick}'"]
    computer.configure()
    for at, night in enumerate(NIGHTS):
        for number in (1, 2):
            data = noise(4000, 10 * at + number)
            computer.frame(f"{night}/light {number}.fits", begun=f"{night}T22:00:00", data=data)
    home = Home(computer, stick, desk)
    assert computer.send(stick, scope=Scope(everything=True)).exit_code is ExitCode.PROVEN
    assert desk.file(stick).exit_code is ExitCode.PROVEN
    return home


def why(outcome, night=NIGHTS[0]):
    """Return why a night stays, whenever that was found."""
    kept = [each.why for each in outcome.kept if night in each.path]
    nights = [each for each in outcome.nights if each.night.isoformat() == night]
    return kept + [each.why for of_one in nights for each in of_one.stays]


def ledger(home):
    return [json.loads(line) for line in (home.computer.records / NAME).read_bytes().splitlines()]


# What goes


def test_what_an_archive_and_the_source_have_goes_but_for_the_newest_nights(week):
    outcome = week.clear_drive()
    assert (outcome.exit_code, week.on_drive()) == (ExitCode.PROVEN, list(NIGHTS[1:]))
    assert [night.night.isoformat() for night in outcome.removed] == [NIGHTS[0]]
    assert why(outcome, NIGHTS[1]) == ["one of the newest 3 nights"]
    for night in NIGHTS[1:]:
        assert_valid(week.stick / night)
    first, _ = ledger(week)
    assert (first["drive"], first["path"]) == ("Field stick", f"{NIGHTS[0]}/data/frames/{LIGHT}")
    assert {place["kind"] for place in first["in"]} == {"archive", "source"}


def test_the_receipt_on_the_drive_says_which_nights_have_left_it(week):
    receipt = week.stick / "READ ME FIRST.txt"
    before = receipt.read_text().splitlines()
    week.clear_drive()
    after = receipt.read_text().splitlines()
    assert after[:3] + after[6:] == before
    assert after[3:6] == [
        "",
        "Let go from this drive on 2026-04-01 at 12:00 UTC, since others have it:",
        f"  {NIGHTS[0]}, 2 files",
    ]


def test_a_list_touches_nothing(week):
    before = sorted((path, path.stat().st_mtime_ns) for path in week.stick.rglob("*"))
    outcome = week.clear_drive(delete=False)
    assert (outcome.may_go, outcome.removed) == (1, None)
    assert sorted((path, path.stat().st_mtime_ns) for path in week.stick.rglob("*")) == before
    assert not (week.computer.records / NAME).exists()


def test_send_asks_the_drive_for_a_night_that_went_no_more(week):
    week.clear_drive()
    again = week.computer.send(week.stick)
    assert again.exit_code is ExitCode.PROVEN
    assert not again.left_behind
    assert week.on_drive() == list(NIGHTS[1:])


def test_the_number_of_nights_that_stay_is_the_person_s(week):
    week.settings("[clear]\nkeep_nights = 0\n")
    assert week.clear_drive().may_go == 4
    assert week.on_drive() == []


def test_what_other_systems_dropped_in_a_night_goes_with_it(week):
    for name in ("data/frames/.DS_Store", "._data", "nightferry/Thumbs.db"):
        (week.stick / NIGHTS[0] / name).write_bytes(bytes.fromhex("00051607"))
    assert week.clear_drive().exit_code is ExitCode.PROVEN
    assert week.on_drive() == list(NIGHTS[1:])


# What stays


def test_without_the_source_a_night_stays_where_two_copies_are_asked_for(week):
    source = week.computer.frames / LIGHT
    source.unlink()
    outcome = week.clear_drive()
    assert len(week.on_drive()) == 4
    assert why(outcome) == ["without this drive proven in 1 of 2 places; archive 'archive'"]
    week.settings("[clear]\ncopies = 1\n")
    assert len(week.clear_drive().removed) == 1


def test_a_source_that_was_changed_in_place_is_no_copy(week):
    source = week.computer.frames / LIGHT
    facts, content = source.stat(), bytearray(source.read_bytes())
    content[-1] ^= 1
    source.write_bytes(content)
    os.utime(source, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    outcome = week.clear_drive()
    assert (outcome.exit_code, len(week.on_drive())) == (ExitCode.SOMETHING_UNPROVEN, 4)
    assert "its copy on source 'frames' is not what was proven there any more" in why(outcome)[0]


def test_a_night_that_no_archive_has_acknowledged_stays(week):
    other = prepared(week.stick.with_name("other"), "Second stick")
    week.computer.drives.append(f"name = 'Second stick'\nfolder = '{other}'")
    week.settings("[clear]\ncopies = 1\nkeep_nights = 0\n")
    week.computer.frame("new.fits", begun="2026-03-15T22:00:00", data=noise(4000, 99))
    week.computer.send(week.stick, other)
    outcome = week.clear_drive()
    assert week.on_drive() == ["2026-03-15"]
    assert "no archive is known to have it" in why(outcome, "2026-03-15")[0]


def test_where_no_archive_has_a_night_the_source_that_counts_is_named(week):
    other = prepared(week.stick.with_name("other"), "Second stick")
    week.computer.drives = [f"name = 'Second stick'\nfolder = '{other}'"]
    week.settings("[clear]\nkeep_nights = 0\n")
    week.computer.frame("a new one.fits", begun="2026-03-20T22:00:00", data=noise(900, 77))
    week.computer.send(other)
    outcome = week.clear_drive(delete=False)
    assert any("proven in 1 of 2 places; source 'frames'" in each for each in why(outcome, "2026-03-20"))


def test_what_was_added_to_a_night_after_it_was_acknowledged_keeps_it(week):
    week.computer.frame(f"{NIGHTS[0]}/light 3.fits", begun=f"{NIGHTS[0]}T23:00:00", data=noise(4000, 77))
    week.computer.send(week.stick, scope=Scope(everything=True))
    assert len(week.clear_drive().removed) == 0


@pytest.mark.parametrize("where", ["notes.txt", "data/frames/mine.fits", "nightferry/set-aside/1 light.fits"])
def test_a_night_with_a_file_that_no_list_names_stays(week, where):
    path = week.stick / NIGHTS[0] / where
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"somebody's own")
    outcome = week.clear_drive()
    assert why(outcome) == ["no list of the night names it"]
    assert path.read_bytes() == b"somebody's own"


def test_a_night_that_is_not_finished_stays(week):
    (week.stick / NIGHTS[0] / "nightferry/journal.jsonl").touch()
    assert "it is not finished: send to the drive again" in why(week.clear_drive())
    assert len(week.on_drive()) == 4


@pytest.mark.parametrize("name", ["nightferry/entries.jsonl", "tagmanifest-sha256.txt"])
def test_a_night_whose_lists_are_not_what_was_written_stays(week, name):
    path = week.stick / NIGHTS[0] / name
    path.write_bytes(path.read_bytes().replace(b"light 1", b"light 9") if "entries" in name else b"")
    assert why(week.clear_drive()) == ["its lists are not what was written; nightferry check says more"]
    assert len(week.on_drive()) == 4


def test_a_copy_that_is_not_what_was_listed_stays_with_its_night(week):
    path = week.stick / NIGHTS[0] / "data/frames" / LIGHT
    facts, content = path.stat(), bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert "is not what was listed" in why(week.clear_drive())[0]
    assert len(week.on_drive()) == 4
    path.write_bytes(b"cut")
    assert why(week.clear_drive()) == ["it is not as it was listed; nightferry check says more"]


def test_an_archive_that_is_here_is_read_before_a_night_goes(week):
    week.settings(f"[clear]\ncopies = 1\n[archive]\nfolder = '{week.desk.archive}'\n")
    copy = next(path for path in week.desk.archive.rglob("light 1.fits") if NIGHTS[0] in str(path))
    facts, content = copy.stat(), bytearray(copy.read_bytes())
    content[-1] ^= 1
    copy.write_bytes(content)
    os.utime(copy, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert "its copy on archive 'archive' is not what was proven there" in why(week.clear_drive())[0]
    copy.unlink()
    assert "no archive is known to have it" in why(week.clear_drive())[0]
    assert len(week.on_drive()) == 4


def test_two_drives_do_not_let_a_night_go_for_each_other_s_sake(week):
    other = prepared(week.stick.with_name("other"), "Second stick")
    week.computer.drives.append(f"name = 'Second stick'\nfolder = '{other}'")
    week.settings("[clear]\nkeep_nights = 0\n")
    week.computer.send(week.stick, other, scope=Scope(everything=True))
    shutil.rmtree(week.computer.frames)
    outcome = week.clear_drive()
    assert len(outcome.removed) == 4
    whole = [path for root in (week.stick, other) for path in root.glob("2026-*")]
    assert sorted(path.name for path in whole) == list(NIGHTS)


def test_with_a_clock_that_is_a_year_behind_no_night_goes(week):
    moment = week.clear_drive.__kwdefaults__["now"]
    outcome = week.clear_drive(now=moment.replace(year=2025))
    assert (len(outcome.removed), len(week.on_drive())) == (0, 4)
    assert outcome.findings


# Cut off


class Dying(type(this_computer())):
    """A computer that dies at the n-th act on a drive that changes it."""

    def __init__(self, acts):
        super().__init__()
        self.left = acts

    def pin(self, path):
        folder = super().pin(path)
        if (path / "nightferry-drive.toml").exists():
            for name in ("remove", "remove_folder", "replace"):
                setattr(folder, name, self._counted(getattr(folder, name)))
        return folder

    def _counted(self, act):
        def dying(*words):
            if words[0].startswith("READ ME FIRST"):
                return act(*words)
            if self.left == 0:
                raise KeyboardInterrupt
            self.left -= 1
            return act(*words)

        return dying


def cut_off(week, acts):
    with pytest.raises(KeyboardInterrupt):
        week.clear_drive(medium=Dying(acts))


@pytest.mark.parametrize("acts", [0, 1, 2, 3, 5, 8, 11, 13])
def test_cut_off_at_any_act_a_night_is_whole_or_being_let_go_and_the_next_run_goes_on(week, acts):
    cut_off(week, acts)
    assert week.on_drive() == sorted([NIGHTS[0] if acts == 0 else LEFT, *NIGHTS[1:]])
    if acts == 0:
        assert_valid(week.stick / NIGHTS[0])
    outcome = week.clear_drive()
    assert (outcome.exit_code, week.on_drive()) == (ExitCode.PROVEN, list(NIGHTS[1:]))


@pytest.mark.parametrize("acts", [0, 1, 2, 8, 13, 15])
def test_cut_off_at_any_act_the_receipt_says_that_the_night_may_have_left(week, acts):
    receipt = week.stick / "READ ME FIRST.txt"
    before = receipt.read_text().splitlines()
    cut_off(week, acts)
    after = receipt.read_text().splitlines()
    assert after[:3] + after[6:] == before
    assert after[4:6] == [
        "These may have left the drive since 2026-04-01 at 12:00 UTC; others have them:",
        f"  {NIGHTS[0]}, 2 files",
    ]


@pytest.mark.volume
def test_a_night_of_which_a_part_could_not_be_removed_is_not_told_as_there(week, tmp_path):
    shutil.copytree(week.stick, tmp_path / "fuse/behind")
    with faulty(tmp_path / "fuse", "unlink|bagit.txt|1|9|EIO") as drive:
        week.computer.drives = [f"name = 'Field stick'\nfolder = '{drive.path}'"]
        week.computer.configure()
        outcome = week.clear_drive()
        told = (drive.path / "READ ME FIRST.txt").read_text()
        assert [night.night.isoformat() for night in outcome.removed] == []
        assert (drive.path / LEFT).exists()
    assert f"others have them:\n  {NIGHTS[0]}, 2 files\n" in told


@pytest.mark.volume
def test_a_drive_that_has_no_room_for_a_receipt_has_none_while_its_nights_go(week, tmp_path):
    shutil.copytree(week.stick, tmp_path / "fuse/behind")
    with faulty(tmp_path / "fuse", "write|READ ME FIRST|1|1|ENOSPC") as drive:
        week.computer.drives = [f"name = 'Field stick'\nfolder = '{drive.path}'"]
        week.computer.configure()
        receipt = drive.path / "READ ME FIRST.txt"
        cut_off(week, 1)
        assert not receipt.exists()
        assert drive.faults == 1
        receipt.write_bytes((week.stick / receipt.name).read_bytes())
        assert week.clear_drive().exit_code is ExitCode.PROVEN
        told = receipt.read_text()
    assert f"since others have it:\n  {NIGHTS[0]}, " in told


@pytest.mark.parametrize("acts", [2, 8])
def test_every_command_knows_a_night_that_is_being_let_go_for_what_it_is(week, acts):
    cut_off(week, acts)
    checked = week.computer.command("check", week.stick, "--json")
    assert (checked.exit, checked.document["being_let_go"]) == (0, [str(week.stick / LEFT)])
    shown = week.computer.command("check", week.stick / LEFT)
    assert shown.exit == 0
    assert "is being let go" in shown.out
    filed = week.desk.file(week.stick)
    assert (filed.exit_code, len(filed.deliveries)) == (ExitCode.PROVEN, 3)
    assert [found.kind for found in filed.findings] == [FindingKind.BEING_LET_GO]
    loose = week.desk.file(week.stick.parent)
    assert loose.exit_code is ExitCode.PROVEN
    assert week.computer.send(week.stick).exit_code is ExitCode.PROVEN
    assert week.on_drive() == sorted([LEFT, *NIGHTS[1:]])


def test_what_is_left_of_a_night_stays_where_nobody_has_it_any_more(week):
    cut_off(week, 1)
    shutil.rmtree(week.computer.records / "signed")
    tags = week.stick / LEFT / "nightferry"
    for path in tags.glob("acknowledgement-*"):
        path.unlink()
    assert "no archive is known to have it" in why(week.clear_drive())[0]
    assert LEFT in week.on_drive()


def test_a_folder_that_only_has_the_name_of_one_being_let_go_loses_nothing(week):
    strange = week.stick / "2026-01-01 (being let go)"
    (strange / "data").mkdir(parents=True)
    (strange / "data/holiday.jpg").write_bytes(b"not ours")
    outcome = week.clear_drive()
    assert why(outcome, "2026-01-01") == ["no list of the night names it"]
    assert (strange / "data/holiday.jpg").exists()


@pytest.mark.parametrize("inside", ["", "bagit.txt"])
def test_a_folder_that_has_a_night_s_name_and_was_not_sent_stays(week, inside):
    strange = week.stick / "2026-01-01"
    strange.mkdir()
    if inside:
        (strange / inside).write_text("BagIt-Version: 1.0\n")
    (week.stick / "2026-01-02 (being let go)").write_text("a file, and no folder")
    outcome = week.clear_drive()
    assert why(outcome, "2026-01-01") == ["it is no night that nightferry has sent"]
    assert strange.is_dir()
    assert outcome.exit_code is ExitCode.PROVEN


# The ledger, and others at work


def test_without_a_ledger_no_night_goes(week):
    (week.computer.records / NAME).mkdir()
    with pytest.raises(DriveFailed, match="nothing goes without it"):
        week.clear_drive()
    assert len(week.on_drive()) == 4


def test_a_ledger_whose_lines_are_lost_in_silence_lets_no_night_go(week, monkeypatch):
    monkeypatch.setattr("transfer.engine.ledger.write_all", lambda *_: None)
    outcome = week.clear_drive()
    assert (outcome.removed, len(week.on_drive())) == ((), 4)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN


def test_no_night_goes_while_another_run_is_at_work_on_the_drive_or_on_the_ledger(week):
    with only_run_on(week.stick, this_computer()), pytest.raises(Busy):
        week.clear_drive()
    with open_ledger(week.computer.records, this_computer()), pytest.raises(Busy):
        week.clear_drive()
    assert week.clear_drive(delete=False).may_go == 1


def test_a_run_that_is_told_to_stop_says_so(week):
    stop = Stop()
    stop.ask("signal SIGTERM")
    outcome = week.clear_drive(stop=stop)
    assert (outcome.exit_code, outcome.removed) == (ExitCode.STOPPED_EARLY, ())


def test_the_drive_may_be_named_and_only_it_is_cleared(week):
    other = prepared(week.stick.with_name("other"), "Second stick")
    week.computer.drives.append(f"name = 'Second stick'\nfolder = '{other}'")
    week.settings("[clear]\ncopies = 1\nkeep_nights = 0\n")
    week.computer.send(week.stick, other, scope=Scope(everything=True))
    assert len(week.clear_drive(other).removed) == 4
    assert week.on_drive() == list(NIGHTS)
    with pytest.raises(NotThere):
        week.clear_drive(week.computer.root)


# The command


def test_the_command_lists_first_and_deletes_when_told_to(week):
    listed = week.computer.command("clear", "--drive")
    assert (listed.exit, len(week.on_drive())) == (0, 4)
    assert "nightferry clear --drive --delete" in listed.out
    named = week.computer.command("clear", "--drive", week.stick)
    assert f'nightferry clear --drive "{week.stick}" --delete' in " ".join(named.out.split())
    done = week.computer.command("clear", "--drive", "--delete")
    assert (done.exit, week.on_drive()) == (0, list(NIGHTS[1:]))
    assert "THIS CANNOT BE UNDONE" in done.err
    assert done.out.startswith("Deleted 1 night (2 files, ")


def test_json_has_the_keys_that_scripts_rely_on(week):
    told = week.computer.command("clear", "--drive", "--delete", "--json").document
    assert {"command", "exit", "message", "nights", "deleted", "deleted_bytes"} < told.keys()
    first, second, *_ = told["nights"]
    assert {"night", "files", "bytes", "may_go", "may_go_bytes", "stays"} < first.keys()
    assert (first["night"], first["may_go"], first["stays"], told["deleted"]) == (NIGHTS[0], 2, [], 2)
    assert told["deleted_bytes"] == first["may_go_bytes"]
    assert second["stays"] == [{"path": f"Field stick/{NIGHTS[1]}", "why": "one of the newest 3 nights"}]
