"""Sending while clocks are wrong: set back, set ahead, put right again, or read by another system."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from manifests.bags.bag import read_bag
from manifests.bags.quick import quick_verify
from manifests.findings import FindingKind
from tests.support.nights import Computer, assert_valid, entries, noise, payload, prepared
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ExitCode
from transfer.jobs.send.ready import SendRequest
from transfer.jobs.send.run import SendRun
from transfer.jobs.send.survey import Scope
from transfer.stop import Stop

BAG = "2026-03-14"
NOW = datetime(2026, 3, 15, 5, 30, tzinfo=UTC)
ALL = Scope(everything=True)
HOUR_NS, S_NS = 3_600 * 10**9, 10**9


def send_at(computer, stick, now, scope=ALL):
    """Send while the computer's clock says so."""
    around = Surroundings(this_computer(), Records(computer.records), Stop(), clock=lambda: now)
    return SendRun(computer.config(), SendRequest((stick,), scope), around).run()


def shift(folder: Path, ns: int, step_ns: int = 1) -> None:
    """Let a file system, or another system's idea of its zone, tell other times of all files."""
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            told_ns = (path.stat().st_mtime_ns + ns) // step_ns * step_ns
            os.utime(path, ns=(told_ns, told_ns))


def copies(stick):
    """Return every file of every night: where it lies, and which file that is."""
    return {path: path.stat().st_ino for path in stick.glob("*/data/**/*") if path.is_file()}


def kinds(outcome):
    return {finding.kind for finding in outcome.findings}


@pytest.mark.parametrize(
    "step",
    [timedelta(hours=-1), timedelta(hours=1), timedelta(days=-9_000), timedelta(days=30_000), timedelta(0)],
    ids=str,
)
def test_a_clock_that_is_set_between_two_runs_has_nothing_carried_again_and_nothing_lost(
    computer, stick, step
):
    computer.small_night()
    assert send_at(computer, stick, NOW).exit_code is ExitCode.PROVEN
    before = copies(stick)
    assert "Nothing new" in send_at(computer, stick, NOW + step).message
    computer.frame("late.fits", begun="2026-03-15T04:00:00")
    outcome = send_at(computer, stick, NOW + step)
    assert outcome.exit_code is ExitCode.PROVEN
    after = copies(stick)
    assert {path: after[path] for path in before} == before
    assert after.keys() - before.keys() == {stick / BAG / "data/frames/late.fits"}
    assert_valid(stick / BAG)


@pytest.mark.parametrize("wrong", ["2000-01-01", "2041-07-01"])
def test_frames_taken_by_a_wrong_clock_are_carried_or_named_as_left_behind(computer, stick, wrong):
    """A night that a dead battery has dated is not tonight's: whoever asks for all of them gets it."""
    computer.small_night()
    send_at(computer, stick, NOW)
    computer.frame("misdated.fits", begun=f"{wrong}T22:00:00")
    night = date.fromisoformat(wrong)
    outcome = send_at(computer, stick, NOW + timedelta(days=1), Scope())
    assert (stick / wrong).exists() or night in {left.night for left in outcome.left_behind}
    assert send_at(computer, stick, NOW + timedelta(days=1)).exit_code is ExitCode.PROVEN
    assert list(payload(stick / wrong)) == ["data/frames/misdated.fits"]
    assert_valid(stick / BAG)


def test_a_frame_from_a_night_to_come_does_not_keep_tonight_from_the_drive(computer, stick):
    """Its clock was years ahead for one night: the nights after it are carried nevertheless, and it is."""
    computer.frame("misdated.fits", begun="2041-07-01T22:00:00", data=noise(100, 1))
    computer.frame("tonight.fits", data=noise(100, 2))
    assert send_at(computer, stick, NOW, Scope()).exit_code is ExitCode.PROVEN
    assert list(payload(stick / BAG)) == ["data/frames/tonight.fits"]
    assert list(payload(stick / "2041-07-01")) == ["data/frames/misdated.fits"]
    computer.frame("next.fits", begun="2026-03-15T22:00:00", data=noise(100, 3))
    send_at(computer, stick, NOW + timedelta(days=1), Scope())
    assert list(payload(stick / "2026-03-15")) == ["data/frames/next.fits"]


def test_a_computer_whose_clock_is_years_behind_has_tonights_frames_carried(computer, stick):
    computer.frame("tonight.fits")
    send_at(computer, stick, NOW - timedelta(days=9_000), Scope())
    assert list(payload(stick / BAG)) == ["data/frames/tonight.fits"]


def test_a_run_at_noon_has_each_frame_in_one_night(computer, stick):
    """Mean noon at the site, 1.9° west, is at 12:07:36 UTC; the clock of the run is on it, and past it."""
    noon = datetime(2026, 3, 15, 12, 7, 36, tzinfo=UTC)
    before = ("2026-03-15T12:07:35", "2026-03-15T12:07:35.999")
    after = ("2026-03-15T12:07:36", "2026-03-15T12:07:37")
    for number, begun in enumerate((*before, *after)):
        computer.frame(f"{number}.fits", begun=begun, data=noise(100, number))
    for seconds in (-1, 0, 1):
        outcome = send_at(computer, stick, noon + timedelta(seconds=seconds))
        assert outcome.exit_code is ExitCode.PROVEN
        assert set(payload(stick / BAG)) == {"data/frames/0.fits", "data/frames/1.fits"}
        assert set(payload(stick / "2026-03-15")) == {"data/frames/2.fits", "data/frames/3.fits"}


@pytest.mark.parametrize("ns", [-HOUR_NS, HOUR_NS, -2 * HOUR_NS, 1], ids=["-1 h", "+1 h", "-2 h", "1 ns"])
def test_sources_whose_times_shift_by_hours_are_not_copied_again_nor_taken_for_others(computer, stick, ns):
    """FAT keeps local time: after a change of daylight saving time every file of a card is an hour off."""
    computer.small_night()
    send_at(computer, stick, NOW)
    before = copies(stick)
    shift(computer.root / "computer", ns)
    computer.frame("late.fits", begun="2026-03-15T04:00:00")
    outcome = send_at(computer, stick, NOW)
    assert outcome.exit_code is ExitCode.PROVEN
    assert FindingKind.KEPT_BOTH not in kinds(outcome)
    after = copies(stick)
    assert after.keys() - before.keys() == {stick / BAG / "data/frames/late.fits"}
    assert {path: after[path] for path in before} == before
    assert_valid(stick / BAG)
    assert "Nothing new" in send_at(computer, stick, NOW).message


def test_a_grown_log_whose_time_is_an_hour_off_takes_the_place_of_its_older_part(computer, stick):
    log = computer.log("mount.log", b"22:00 slewing\n")
    computer.small_night()
    send_at(computer, stick, NOW)
    computer.append(log, b"23:00 parked\n")
    shift(computer.root / "computer", -HOUR_NS, 2 * S_NS)
    outcome = send_at(computer, stick, NOW)
    assert outcome.exit_code is ExitCode.PROVEN
    assert FindingKind.KEPT_BOTH not in kinds(outcome)
    assert payload(stick / BAG)["data/logs/mount.log"] == b"22:00 slewing\n23:00 parked\n"
    assert len(payload(stick / BAG)) == 5
    assert_valid(stick / BAG)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(-13, 13), st.sampled_from([1, 10**7, 2 * S_NS]))
def test_a_drive_that_tells_other_times_has_nothing_carried_again(tmp_path_factory, hours, step_ns):
    """FAT has steps of two seconds, exFAT of ten milliseconds; FAT knows local time alone.

    What is not written anew is shifted twice: two zones are 26 hours apart at most.
    """
    root = tmp_path_factory.mktemp("clocks")
    computer, stick = Computer(root / "night"), prepared(root / "stick")
    computer.small_night()
    send_at(computer, stick, NOW)
    before = copies(stick)
    shift(stick / BAG, hours * HOUR_NS, step_ns)
    assert "Nothing new" in send_at(computer, stick, NOW).message
    computer.append(computer.logs / "mount.log", b"23:00 parked\n")
    assert send_at(computer, stick, NOW).exit_code is ExitCode.PROVEN
    assert copies(stick).keys() == before.keys()
    assert_valid(stick / BAG)
    shift(stick / BAG, hours * HOUR_NS, step_ns)
    assert quick_verify(read_bag(stick / BAG)).findings == ()


def test_the_entries_keep_the_times_of_the_sources_whatever_the_drive_makes_of_them(computer, stick):
    computer.small_night()
    send_at(computer, stick, NOW)
    shift(stick / BAG, -HOUR_NS, 2 * S_NS)
    send_at(computer, stick, NOW)
    for path, entry in entries(stick / BAG).items():
        source = computer.root / "computer" / path.removeprefix("data/")
        assert entry.modified_ns == source.stat().st_mtime_ns
