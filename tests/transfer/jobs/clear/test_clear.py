"""What may go and what stays: what is proven in enough other places goes, hashed again before."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from manifests.findings import FindingKind
from tests.support.nights import noise, prepared
from tests.support.systems import need_links, need_no_hold
from tests.transfer.jobs.clear.conftest import LATER
from transfer.engine.drive import only_run_on
from transfer.engine.ledger import NAME, Ledger, open_ledger
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import Busy, ConfigurationError, DriveFailed, ExitCode, NotThere
from transfer.jobs.check.run import Asked, checked
from transfer.stop import Stop

LIGHT = "frames/M 51/Ha/light 1.fits"
OF_ITS_BAG = [LIGHT, LIGHT.replace("1.fits", "2.fits")]


def ledger(home):
    return [json.loads(line) for line in (home.computer.records / NAME).read_bytes().splitlines()]


def source(home, path):
    return home.computer.root / "computer" / path


# What goes


def test_what_archive_and_drive_have_goes_and_the_ledger_says_so(carried):
    before = {path: source(carried, path).read_bytes() for path in carried.files()}
    outcome = carried.clear()
    assert (outcome.exit_code, outcome.deleted, carried.files()) == (ExitCode.PROVEN, 5, [])
    assert outcome.deleted_bytes == sum(map(len, before.values()))
    lines = {f"{line['source']}/{line['path']}": line for line in ledger(carried)}
    assert lines.keys() == before.keys()
    assert {place["kind"] for line in lines.values() for place in line["in"]} == {"archive", "drive"}
    kept = {path.read_bytes() for path in carried.desk.archive.rglob("data/**/*") if path.is_file()}
    assert set(before.values()) <= kept


def test_folders_that_held_only_cleared_files_go_and_a_source_s_own_never(carried):
    source(carried, "frames/M 51/notes of mine.txt").write_text("not carried\n")
    carried.clear()
    left = sorted(path.name for path in (carried.computer.root / "computer").rglob("*"))
    assert left == ["M 51", "frames", "logs", "notes of mine.txt"]


def test_a_list_touches_nothing_and_says_what_would_go(carried):
    before = carried.computer.fingerprint()
    outcome = carried.clear(delete=False)
    assert (outcome.may_go, outcome.is_list) == (5, True)
    assert carried.computer.fingerprint() == before
    assert not (carried.computer.records / NAME).exists()


def test_the_next_run_goes_on_and_finds_nothing(carried):
    carried.clear()
    again = carried.clear()
    assert (again.exit_code, again.deleted, again.nights) == (ExitCode.PROVEN, 0, ())


def test_the_next_night_is_sent_after_the_last_one_went(carried):
    carried.clear()
    carried.computer.frame("next.fits", begun="2026-03-15T23:00:00", data=noise(900, 8))
    outcome = carried.computer.send(carried.stick)
    assert (outcome.exit_code, outcome.files_proven) == (ExitCode.PROVEN, 1)
    assert carried.clear().deleted == 0
    assert carried.desk.file(carried.stick).exit_code == 0
    assert carried.clear().deleted == 1


# What stays


def test_what_was_never_carried_stays(carried):
    carried.computer.frame("late.fits", data=noise(900, 8))
    outcome = carried.clear()
    assert carried.files() == ["frames/late.fits"]
    assert "safe only here" in carried.why(outcome)["frames/late.fits"]


def test_what_only_the_drive_has_stays(home):
    home.computer.send(home.stick)
    outcome = home.clear()
    assert len(home.files()) == 5
    assert home.why(outcome)[LIGHT] == "proven in 1 of 2 places; drive 'Field stick'"


def test_a_drive_counts_only_while_it_is_here(carried):
    carried.clear(delete=False)
    carried.take_away()
    outcome = carried.clear()
    assert len(carried.files()) == 5
    assert carried.why(outcome)[LIGHT] == "proven in 1 of 2 places; archive 'archive'"


def test_a_drive_counts_only_while_it_holds_the_file(carried):
    (carried.stick / "2026-03-14/data" / LIGHT).unlink()
    outcome = carried.clear()
    assert carried.files() == [LIGHT]
    assert outcome.deleted == 4


def test_a_drive_of_which_this_computer_knows_nothing_counts_for_nothing(carried):
    shutil.rmtree(carried.computer.records / "bags")
    assert carried.clear().deleted == 0


def test_one_place_is_enough_where_the_configuration_says_so_and_acknowledgements_are_remembered(carried):
    carried.clear(delete=False)
    carried.take_away()
    carried.computer.more = "[clear]\ncopies = 1\n"
    carried.computer.configure()
    assert carried.clear().deleted == 5


def test_a_proof_that_is_too_old_counts_for_nothing(carried):
    carried.computer.more = '[clear]\nproven_within = "30d"\n'
    carried.computer.configure()
    outcome = carried.clear(now=LATER + timedelta(days=30))
    assert len(carried.files()) == 5
    assert "proven too long ago: archive 'archive'" in carried.why(outcome)[LIGHT]


def test_with_a_clock_that_is_a_year_behind_nothing_goes_and_it_is_said(carried):
    outcome = carried.clear(now=LATER - timedelta(days=366))
    assert (outcome.exit_code, len(carried.files())) == (ExitCode.SOMETHING_UNPROVEN, 5)
    (finding,) = outcome.findings
    assert finding.kind is FindingKind.NOT_BELIEVED
    assert "clock" in finding.detail


def test_with_a_clock_that_is_two_years_ahead_nothing_goes(carried):
    assert carried.clear(now=LATER + timedelta(days=731)).deleted == 0


def test_a_frame_that_was_changed_in_place_stays_whatever_its_size_and_time(carried):
    path = source(carried, LIGHT)
    facts, content = path.stat(), bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    outcome = carried.clear()
    assert carried.files() == [LIGHT]
    assert path.read_bytes() == content
    assert carried.why(outcome) == {LIGHT: "its content is not what is proven elsewhere"}
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN


def changed_in_place(home, *, later_s: int = 60) -> bytes:
    """Change one byte of the light, whose size stays and whose time is new; return the content."""
    path = source(home, LIGHT)
    facts, content = path.stat(), bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns + later_s * 10**9))
    return bytes(content)


@pytest.mark.parametrize("changes", [1, 2, 3])
def test_a_frame_that_was_carried_with_several_contents_goes_by_the_one_that_it_has(carried, changes):
    """Which digest comes first is chance: some of these would stay if only one of them counted."""
    for number in range(changes):
        changed_in_place(carried, later_s=60 + number)
        source(carried, LIGHT).write_bytes(noise(900, number))
        carried.carry()
    wanted = hashlib.sha256(source(carried, LIGHT).read_bytes()).hexdigest()
    assert carried.clear(delete=False).may_go == 5
    outcome = carried.clear()
    assert (outcome.exit_code, carried.why(outcome), carried.files()) == (ExitCode.PROVEN, {}, [])
    (line,) = [line for line in ledger(carried) if f"{line['source']}/{line['path']}" == LIGHT]
    assert line["sha256"] == wanted


def test_a_frame_that_has_changed_since_it_was_sent_is_not_listed_as_one_that_may_go(carried):
    content = changed_in_place(carried)
    listed = carried.clear(delete=False)
    assert carried.why(listed) == {LIGHT: "it has changed since it was carried"}
    assert listed.may_go == 4
    carried.clear()
    assert source(carried, LIGHT).read_bytes() == content


def test_a_frame_whose_time_alone_is_another_may_go(carried):
    os.utime(source(carried, LIGHT), ns=(1, 1_900_000_000 * 10**9))
    assert carried.clear(delete=False).may_go == 5
    assert (carried.clear().exit_code, carried.files()) == (ExitCode.PROVEN, [])


def test_what_stayed_after_all_is_counted_among_what_stays_and_is_a_finding(carried):
    for path in carried.files():
        whole, facts = source(carried, path).read_bytes(), source(carried, path).stat()
        source(carried, path).write_bytes(bytes(len(whole)))
        os.utime(source(carried, path), ns=(facts.st_atime_ns, facts.st_mtime_ns))
    outcome = carried.clear()
    assert outcome.message == "Deleted 0 files (0 bytes); 5 files stay, 5 of them although they might go."
    assert [each["finding"] for each in outcome.as_json()["findings"]] == ["not deleted"] * 5
    carried.computer.frame("M 51/late.fits", data=noise(900, 8))
    carried.carry()
    more = source(carried, "frames/M 51/late.fits")
    facts = more.stat()
    more.write_bytes(bytes(facts.st_size))
    os.utime(more, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    shown = carried.computer.command("clear", "--delete").out
    assert "Stayed after all: 6 × not deleted, such as" in shown


def test_one_file_that_stays_is_told_in_the_singular(carried):
    carried.computer.frame("late.fits", data=noise(900, 8))
    assert carried.clear(delete=False).message.endswith("may go; 1 file stays.")


def test_a_log_that_grew_stays(carried):
    carried.computer.append(carried.computer.logs / "mount.log", b"23:00 parked\n")
    outcome = carried.clear()
    assert carried.files() == ["logs/mount.log"]
    assert carried.why(outcome) == {"logs/mount.log": "it has changed since it was carried"}


def test_a_log_of_the_last_day_stays(carried):
    modified = (carried.computer.logs / "mount.log").stat().st_mtime
    outcome = carried.clear(now=LATER.fromtimestamp(modified, LATER.tzinfo) + timedelta(hours=23))
    assert carried.files() == ["logs/mount.log", "logs/weather/2026-03-14/mast.csv"]
    assert "may still grow" in carried.why(outcome)["logs/mount.log"]


def test_the_beginning_of_a_longer_log_that_is_proven_may_go(carried):
    path = carried.computer.logs / "mount.log"
    facts = path.stat()
    path.write_bytes(b"22:00 sle")
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert (carried.clear().exit_code, carried.files()) == (ExitCode.PROVEN, [])


def test_a_shorter_log_that_is_no_beginning_stays(carried):
    path = carried.computer.logs / "mount.log"
    facts = path.stat()
    path.write_bytes(b"22:00 SLE")
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    carried.clear()
    assert carried.files() == ["logs/mount.log"]


def test_a_beginning_stays_where_the_longer_copy_is_damaged(carried):
    path = carried.computer.logs / "mount.log"
    facts = path.stat()
    path.write_bytes(b"22:00 sle")
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    (carried.stick / "2026-03-14/data/logs/mount.log").write_bytes(b"22:00 sleeping")
    carried.clear()
    assert carried.files() == ["logs/mount.log"]


@need_links
def test_links_and_what_lies_behind_them_are_not_touched(home, tmp_path):
    outside = tmp_path / "outside"
    (outside / "below").mkdir(parents=True)
    shutil.move(source(home, LIGHT), outside / "light 1.fits")
    source(home, LIGHT).symlink_to(outside / "light 1.fits")
    shutil.move(source(home, "frames/darks/dark_1.fits"), outside / "below/dark_1.fits")
    source(home, "frames/darks").rmdir()
    source(home, "frames/darks").symlink_to(outside / "below")
    home.carry()
    outcome = home.clear()
    assert outcome.deleted == 3
    assert (outside / "light 1.fits").exists()
    assert (outside / "below/dark_1.fits").exists()
    why = home.why(outcome)
    assert "is a link" in why[LIGHT]
    assert "behind a link" in why["frames/darks/dark_1.fits"]


OPENED = """
import sys
with open(sys.argv[1], sys.argv[2]):
    print("open", flush=True)
    sys.stdin.read()
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux tells who has a file open")
@pytest.mark.parametrize("mode", ["rb", "ab"])
def test_a_file_that_another_program_has_open_stays(carried, mode):
    words = [sys.executable, "-c", OPENED, source(carried, LIGHT), mode]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout.readline() == "open\n"
        outcome = carried.clear()
    assert carried.files() == [LIGHT]
    assert carried.why(outcome) == {LIGHT: "another program has it open"}


# Between the hash and the removal


class Meddling(type(this_computer())):
    """This computer, where something happens to a file after it was hashed."""

    def __init__(self, act):
        super().__init__()
        self._act = act

    @contextmanager
    def alone_with(self, descriptor):
        self._act()
        with super().alone_with(descriptor) as alone:
            yield alone


@need_no_hold
def test_another_file_that_takes_the_name_stays(carried):
    other = source(carried, "frames/new.fits")
    other.write_bytes(b"a new frame")

    def swap():
        if other.exists():
            other.replace(source(carried, LIGHT))

    carried.clear(medium=Meddling(swap))
    assert source(carried, LIGHT).read_bytes() == b"a new frame"


@need_no_hold
def test_a_file_that_is_written_to_after_it_was_hashed_stays(carried):
    path = source(carried, LIGHT)

    def write():
        if path.exists():
            facts = path.stat()
            with path.open("r+b") as file:
                file.write(b"X")
            os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))

    outcome = carried.clear(medium=Meddling(write))
    assert carried.files() == [LIGHT]
    assert carried.why(outcome) == {LIGHT: "it has changed since it was hashed"}


@need_links
def test_a_folder_swapped_for_a_link_leads_nowhere_else(carried, tmp_path):
    outside = tmp_path / "outside"
    shutil.copytree(source(carried, "frames/M 51"), outside)
    folder = source(carried, "frames/M 51")

    def swap():
        if not folder.is_symlink():
            folder.rename(folder.with_name("moved"))
            folder.symlink_to(outside)

    carried.clear(medium=Meddling(swap))
    assert sorted(path.name for path in outside.rglob("*.fits")) == ["light 1.fits", "light 2.fits"]


class Untold(type(this_computer())):
    """A system that does not say who has a file open."""

    @contextmanager
    def alone_with(self, descriptor):
        yield None


def test_where_the_system_does_not_say_who_has_a_file_open_what_was_just_written_stays(home):
    home.carry()
    just = LATER.fromtimestamp(source(home, LIGHT).stat().st_mtime, LATER.tzinfo)
    home.clear(now=just + timedelta(minutes=59), medium=Untold())
    assert len(home.files()) == 5
    home.clear(now=just + timedelta(minutes=61), medium=Untold())
    assert home.files() == ["logs/mount.log", "logs/weather/2026-03-14/mast.csv"]


# The ledger, and others at work


def test_without_a_ledger_nothing_goes(carried):
    (carried.computer.records / NAME).mkdir()
    with pytest.raises(DriveFailed, match="nothing goes without it"):
        carried.clear()
    assert len(carried.files()) == 5


class Unflushed(type(this_computer())):
    """A computer whose ledger cannot be flushed once it is open."""

    def pin(self, path):
        folder = super().pin(path)

        def flush(descriptor):
            raise OSError(5, "Input/output error")

        if path.name == "records":
            folder.flush_file = flush
        return folder


def test_a_ledger_that_fails_on_the_way_ends_the_removal_and_the_outcome_says_what_went(carried):
    outcome = carried.clear(medium=Unflushed())
    assert len(carried.files()) == 5
    assert (outcome.deleted, outcome.exit_code) == (0, ExitCode.SOMETHING_UNPROVEN)
    assert "nothing goes without it" in outcome.message


def test_what_was_read_ahead_when_the_ledger_failed_stays_and_is_held_open_no_more(home, monkeypatch):
    for number in range(250):
        home.computer.log(f"many/{number:03}.txt", b"%d" % number)
    home.carry()
    written, write = [], Ledger.write

    def fails_the_second_time(ledger, going, now):
        written.append(len(list(going)))
        if len(written) == 2:
            raise DriveFailed("The ledger cannot be written, and nothing goes without it")
        write(ledger, going, now)

    monkeypatch.setattr(Ledger, "write", fails_the_second_time)
    descriptors = len(list(Path("/dev/fd").iterdir()))
    outcome = home.clear()
    assert (outcome.deleted, len(home.files())) == (written[0], 255 - written[0])
    assert len(list(Path("/dev/fd").iterdir())) == descriptors


def test_a_ledger_whose_lines_are_lost_in_silence_lets_nothing_go(carried, monkeypatch):
    monkeypatch.setattr("transfer.engine.ledger.write_all", lambda *_: None)
    outcome = carried.clear()
    assert (outcome.deleted, len(carried.files())) == (0, 5)
    assert "is not there" in outcome.message


def test_a_ledger_s_last_line_that_was_cut_off_swallows_none(carried):
    (carried.computer.records / NAME).write_bytes(b'{"utc":"20')
    carried.clear()
    lines = (carried.computer.records / NAME).read_bytes().splitlines()
    assert lines[0] == b'{"utc":"20'
    assert all(json.loads(line) for line in lines[1:])


def test_two_runs_at_once_do_not_remove(carried):
    with open_ledger(carried.computer.records, this_computer()), pytest.raises(Busy):
        carried.clear()
    assert len(carried.files()) == 5


def test_nothing_goes_while_another_run_is_at_work_on_the_drive(carried):
    with only_run_on(carried.stick, this_computer()), pytest.raises(Busy):
        carried.clear()
    assert carried.clear(delete=False).may_go == 5


def test_a_run_that_is_told_to_stop_says_so(carried):
    stop = Stop()
    stop.ask("signal SIGTERM")
    outcome = carried.clear(stop=stop)
    assert (outcome.exit_code, outcome.deleted) == (ExitCode.STOPPED_EARLY, 0)
    assert len(carried.files()) == 5


# Places


def test_an_archive_that_is_here_is_asked_itself(carried):
    carried.computer.more = f"[archive]\nfolder = '{carried.desk.archive}'\n"
    carried.computer.configure()
    next(carried.desk.archive.rglob("light 1.fits")).unlink()
    outcome = carried.clear()
    assert carried.files() == [LIGHT]
    assert carried.why(outcome)[LIGHT] == "proven in 1 of 2 places; drive 'Field stick'"


def test_a_frame_that_was_copied_back_is_shown_under_the_night_that_it_was_filed_in(carried):
    carried.computer.more = f"[archive]\nfolder = '{carried.desk.archive}'\n"
    carried.computer.configure()
    shutil.rmtree(carried.stick / "2026-03-14")
    for path in carried.files():
        os.utime(source(carried, path), (LATER.timestamp() - 9e5,) * 2)
    assert [night.night.isoformat() for night in carried.clear(delete=False).nights] == ["2026-03-14"]


@pytest.mark.parametrize("where", ["archive", "drive"])
def test_a_copy_that_is_here_is_read_before_a_source_goes_that_relies_on_it(carried, where):
    carried.computer.more = f"[archive]\nfolder = '{carried.desk.archive}'\n"
    carried.computer.configure()
    root = carried.desk.archive if where == "archive" else carried.stick
    copy = next(root.rglob("light 1.fits"))
    facts, content = copy.stat(), bytearray(copy.read_bytes())
    content[-3000] ^= 1
    copy.write_bytes(content)
    os.utime(copy, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    outcome = carried.clear()
    assert carried.files() == [LIGHT]
    assert "is not what was proven there any more" in carried.why(outcome)[LIGHT]


# What an archive that is here knows of its own copies


@pytest.fixture
def beside(carried):
    """The archive is on this computer, and the drive is not here: the archive alone has copies."""
    carried.settings(f"[archive]\nfolder = '{carried.desk.archive}'\n[clear]\ncopies = 1\n")
    carried.take_away()
    return carried


def read_again(home, now=LATER):
    around = Surroundings(this_computer(), Records(home.desk.root / "records"), Stop(), clock=lambda: now)
    checked((home.desk.archive,), Asked(), around)


def archived(home) -> Path:
    return next(home.desk.archive.rglob("light 1.fits"))


def bag_of(copy: Path) -> Path:
    return next(folder for folder in copy.parents if (folder / "bagit.txt").exists())


def test_what_an_archive_that_is_here_has_read_back_goes(beside):
    assert beside.clear().deleted == 5


def test_the_last_reading_in_the_archive_counts_and_not_the_filing(beside):
    beside.settings(f"{beside.computer.more}proven_within = '10d'\n")
    assert beside.clear().deleted == 0
    read_again(beside)
    assert beside.clear().deleted == 5


def test_a_file_that_the_archive_has_found_damaged_counts_for_nothing_until_it_was_read_again(beside):
    copy = archived(beside)
    facts, content = copy.stat(), copy.read_bytes()
    for now_there in (content[:-1] + b"?", content):
        copy.write_bytes(now_there)
        os.utime(copy, ns=(facts.st_atime_ns, facts.st_mtime_ns))
        if now_there != content:
            read_again(beside)
    assert LIGHT in beside.why(beside.clear())
    assert beside.files() == [LIGHT]
    read_again(beside)
    assert beside.clear().deleted == 1


def test_a_file_that_has_another_time_than_when_it_was_read_counts_for_nothing(beside):
    os.utime(archived(beside), ns=(1, 1))
    beside.clear()
    assert beside.files() == [LIGHT]


def test_a_record_of_damage_that_is_not_what_was_written_takes_every_proof_of_its_bag(beside):
    copy = archived(beside)
    record, content = bag_of(copy) / "nightferry/said-damaged.jsonl", copy.read_bytes()
    for now_there in (content[:-1] + b"?", content):
        copy.write_bytes(now_there)
        read_again(beside)
    assert all(each.may_go for each in beside.clear(delete=False).nights)
    record.write_bytes(record.read_bytes().replace(b"whole", b"hole?"))
    beside.clear()
    assert beside.files() == OF_ITS_BAG


def test_what_was_perhaps_read_from_memory_counts_for_nothing(beside):
    bag = bag_of(archived(beside))
    record = bag / "nightferry/said-proven.jsonl"
    tags = bag / "tagmanifest-sha256.txt"
    before = record.read_bytes()
    after = before.replace(b'"from_medium": true', b'"from_medium": false')
    assert after != before
    record.write_bytes(after)
    text = tags.read_text().replace(hashlib.sha256(before).hexdigest(), hashlib.sha256(after).hexdigest())
    tags.write_text(text)
    beside.clear()
    assert beside.files() == OF_ITS_BAG


def test_two_drives_count_for_two(home):
    other = prepared(home.stick.with_name("other"), "Second stick")
    home.computer.drives.append(f"name = 'Second stick'\nfolder = '{other}'")
    home.computer.configure()
    home.computer.send(home.stick, other)
    assert home.clear().deleted == 5


def test_a_source_that_lies_in_the_archive_is_refused(carried):
    carried.computer.more = f"[archive]\nfolder = '{carried.computer.root}'\n"
    carried.computer.configure()
    (carried.computer.root / "nightferry-archive.toml").touch()
    with pytest.raises(ConfigurationError, match="lie one in the other"):
        carried.clear()


def test_without_any_source_s_folder_there_is_nothing_to_clear(carried):
    shutil.rmtree(carried.computer.root / "computer")
    with pytest.raises(NotThere, match="No source's folder is there"):
        carried.clear()


def test_a_source_that_is_absent_keeps_no_other_from_being_cleared(carried):
    shutil.rmtree(carried.computer.logs)
    outcome = carried.clear()
    assert outcome.deleted == 3
    assert [found.kind for found in outcome.findings] == [FindingKind.SOURCE_ABSENT]


def test_json_has_the_keys_that_scripts_rely_on(carried):
    carried.computer.frame("late.fits", data=noise(900, 8))
    ran = carried.computer.command("clear", "--delete", "--json")
    told = ran.document
    assert (ran.exit, told["exit"], told["command"], told["deleted"]) == (0, 0, "clear", 5)
    (night,) = told["nights"]
    assert {"night", "files", "bytes", "may_go", "may_go_bytes", "stays"} == night.keys()
    assert (night["night"], night["files"], night["may_go"]) == ("2026-03-14", 6, 5)
    assert told["deleted_bytes"] == night["may_go_bytes"]
    assert [each["path"] for each in night["stays"]] == ["frames/late.fits"]
    assert "CANNOT BE UNDONE" in ran.err


def test_the_list_says_how_to_delete_and_what_was_deleted(carried):
    listed = carried.computer.command("clear")
    assert "nightferry clear --delete" in listed.out
    assert len(carried.files()) == 5
    done = carried.computer.command("clear", "--delete")
    assert done.out.startswith("Deleted 5 files")
    assert (done.exit, carried.files()) == (0, [])


def test_a_copy_that_clear_finds_damaged_counts_no_more_and_is_carried_again(carried):
    copy = carried.stick / "2026-03-14/data" / LIGHT
    facts, content = copy.stat(), bytearray(copy.read_bytes())
    content[-1] ^= 1
    copy.write_bytes(content)
    os.utime(copy, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert carried.clear().kept
    again = carried.clear(delete=False)
    assert [each.path for night in again.nights for each in night.stays] == [LIGHT]
    assert carried.computer.send(carried.stick).nights[0].carried == 1
    assert carried.clear().deleted == 1
