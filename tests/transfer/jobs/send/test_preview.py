"""By day, `plan` says what would be carried, whether it fits, how long it takes, and what looks wrong."""

import subprocess
from datetime import date

import pytest

from manifests.findings import FindingKind
from tests.support.nights import NIGHT, assert_valid, noise, prepared
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, ExitCode
from transfer.jobs.send.pace import RestsOn
from transfer.jobs.send.plan import LeftBehind
from transfer.jobs.send.preview import preview
from transfer.jobs.send.ready import SendRequest
from transfer.jobs.send.survey import Scope
from transfer.stop import Stop


def planned(computer, *drives, scope=None):
    around = Surroundings(this_computer(), Records(computer.records), Stop())
    return preview(computer.config(), SendRequest(drives, scope or Scope()), around)


def everything_on(stick):
    return {path: path.lstat().st_mtime_ns for path in [stick, *stick.rglob("*")]}


def test_what_would_be_carried_is_told_and_nothing_is_written(computer, stick):
    computer.small_night()
    before = everything_on(stick)
    outcome = planned(computer, stick)
    assert outcome.exit_code is ExitCode.PROVEN
    (night,) = outcome.nights
    size = sum(path.stat().st_size for path in (computer.root / "computer").rglob("*") if path.is_file())
    assert (night.night, night.files, night.carry, night.carry_bytes, night.there) == (NIGHT, 5, 5, size, 0)
    assert everything_on(stick) == before


def test_what_is_there_is_not_carried_again(computer, stick):
    computer.small_night()
    computer.send(stick)
    computer.frame("late.fits", begun="2026-03-15T02:00:00")
    (night,) = planned(computer, stick).nights
    assert (night.files, night.carry, night.there) == (6, 1, 5)


def test_a_plan_is_what_send_then_does(computer, stick):
    computer.small_night()
    (night,) = planned(computer, stick).nights
    outcome = computer.send(stick)
    assert (outcome.nights[0].carried, outcome.nights[0].carried_bytes) == (night.carry, night.carry_bytes)
    assert_valid(stick / NIGHT.isoformat())


def test_how_long_it_takes_follows_what_was_measured(computer, tmp_path):
    computer.small_night()
    drive = prepared(tmp_path / "measured")
    mark = drive / "nightferry-drive.toml"
    mark.write_text(mark.read_text() + "write_bytes_per_s = 1000\nread_bytes_per_s = 4000\n")
    outcome = planned(computer, drive)
    size = outcome.nights[0].carry_bytes
    assert outcome.drives[0].takes_s == pytest.approx(size / 1000 + size / 4000)
    assert outcome.drives[0].pace.rests_on is RestsOn.PREPARE


def test_a_drive_that_is_mounted_read_only_is_a_problem(computer, volumes):
    computer.small_night()
    with volumes("ext4", size_mb=32) as drive:
        prepared(drive.path)
        assert planned(computer, drive.path).exit_code is ExitCode.PROVEN
        subprocess.run(["mount", "-o", "remount,ro", drive.path], check=True)
        outcome = planned(computer, drive.path)
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
        assert "The drive cannot be written to" in outcome.message
        assert outcome.nights[0].carry == 5


def test_a_time_limit_that_is_too_short_is_a_problem(computer, tmp_path):
    computer.small_night()
    computer.more = '[send]\ntime_limit = "5s"\n'
    computer.configure()
    drive = prepared(tmp_path / "measured")
    mark = drive / "nightferry-drive.toml"
    mark.write_text(mark.read_text() + "write_bytes_per_s = 1000\nread_bytes_per_s = 4000\n")
    outcome = planned(computer, drive)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert "time limit" in outcome.message


def test_without_a_drive_it_says_what_there_is_to_carry_all_the_same(computer, tmp_path):
    computer.small_night()
    outcome = planned(computer, tmp_path / "nowhere")
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert [(night.drive, night.carry) for night in outcome.nights] == [("", 5)]


@pytest.mark.parametrize("sources_there", [True, False])
def test_the_drives_that_are_not_there_are_named_where_none_is(computer, sources_there):
    computer.drives = ['name = "A stick that nobody has"', 'name = "Nor this one"']
    computer.configure()
    if not sources_there:
        computer.frames.rename(computer.root / "away")
    ran = computer.command("plan", "--json")
    assert (ran.exit, ran.document["drives_absent"]) == (3, ["A stick that nobody has", "Nor this one"])
    assert "the others are sent to" not in computer.command("plan").out


def test_a_source_that_is_not_there_is_told(computer, stick):
    computer.small_night()
    computer.logs.rename(computer.root / "unplugged")
    outcome = planned(computer, stick)
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert "logs" in outcome.message


def test_a_pattern_that_matches_nothing_is_told_with_the_one_that_would(computer, stick):
    computer.frame("light.fit", data=noise(10))
    computer.file.write_text(
        computer.file.read_text().replace('kind = "frames"', 'kind = "frames"\ntake = ["**/*.fits"]')
    )
    outcome = planned(computer, stick)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    found = next(found for found in outcome.findings if found.path == "frames")
    assert found.kind is FindingKind.NOTHING_MATCHED
    assert "**/*.fit'" in found.detail


def test_each_night_that_does_not_fit_is_a_problem(volumes, computer):
    computer.frames_of(8, 3 << 20)
    with volumes("exfat", size_mb=20) as drive:
        prepared(drive.path)
        outcome = planned(computer, drive.path)
        assert outcome.exit_code is ExitCode.DOES_NOT_FIT
        assert NIGHT.isoformat() in outcome.message
        assert outcome.nights[0].carry == 8


def test_nights_to_catch_up_with_are_planned_and_those_that_stay_are_told(computer, stick):
    computer.small_night()
    computer.frame("older.fits", begun="2026-03-01T22:00:00")
    computer.frame("oldest.fits", begun="2026-01-01T22:00:00")
    outcome = planned(computer, stick)
    assert [(night.night, night.carry) for night in outcome.nights] == [(NIGHT, 5), (date(2026, 3, 1), 1)]
    assert outcome.left_behind == (LeftBehind(date(2026, 1, 1), 1),)
    assert planned(computer, stick, scope=Scope(everything=True)).left_behind == ()
    assert len(planned(computer, computer.root / "nowhere").nights) == 2


def test_a_damaged_list_is_told(computer, stick):
    computer.small_night()
    computer.send(stick)
    (stick / NIGHT.isoformat() / "nightferry/entries.jsonl").write_text("not a list\n")
    (computer.records / "bags").rename(computer.root / "forgotten")
    outcome = planned(computer, stick)
    assert FindingKind.MALFORMED in {found.kind for found in outcome.findings}
    assert outcome.nights[0].carry == 5


def test_a_configuration_without_sources_is_wrong(computer, stick):
    computer.file.write_text("[site]\nlongitude = -1.9\n")
    with pytest.raises(ConfigurationError, match="no source"):
        planned(computer, stick)
