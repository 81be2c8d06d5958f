"""Runs that are killed, told to end, or whose disks fail: the next one brings everything to its end."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.desks import Desk, fingerprint
from tests.support.dying import DyingMedium, died
from tests.support.nights import Computer, assert_valid, command_line, listed_truly, noise
from tests.support.systems import need_fork
from transfer.errors import ExitCode
from transfer.events import BytesDone, Event
from transfer.jobs.send.survey import Scope
from transfer.stop import Stop

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="forks and kills on Linux")


@pytest.fixture
def two_nights(computer: Computer, stick: Path) -> Path:
    """Return a drive with two nights, and a log that the archive will have the older part of."""
    computer.small_night()
    computer.frame("next.fits", begun="2026-03-15T22:00:00", data=noise(4000, 8))
    computer.send(stick, scope=Scope(everything=True))
    return stick


def grown(computer: Computer, stick: Path, desk: Desk) -> None:
    """File what there is, then let a log grow and a frame come, and send again."""
    desk.file(stick)
    computer.append(computer.logs / "mount.log", b"23:00 parked\n")
    computer.frame("late.fits", data=noise(100, 9))
    computer.send(stick, scope=Scope(everything=True))


def contents(folder: Path) -> set[str]:
    return {hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.rglob("*") if path.is_file()}


def assert_a_kill_is_made_good(desk: Desk, stick: Path, computer: Computer, last: int) -> bool:
    payload = fingerprint_of_payload(stick)
    came_so_far = died(lambda medium: desk.file(stick, medium=medium), last)
    for bag in desk.bags():
        listed_truly(bag)
    assert fingerprint_of_payload(stick) == payload
    outcome = desk.file(stick)
    assert (outcome.exit_code, outcome.refused) == (ExitCode.PROVEN, 0), outcome.all_findings()
    desk.assert_all_valid()
    for night in ("2026-03-14", "2026-03-15"):
        assert_valid(stick / night)
    assert all(account.acknowledged for account in outcome.deliveries)
    assert contents(computer.root / "computer") == {
        hashlib.sha256(content).hexdigest() for content in desk.files().values()
    }
    before = desk.fingerprint(), fingerprint(stick)
    assert desk.file(stick).filed == 0
    assert (desk.fingerprint(), fingerprint(stick)) == before
    return came_so_far


def fingerprint_of_payload(stick: Path) -> dict[str, tuple[int, int, int]]:
    return {path: facts for path, facts in fingerprint(stick).items() if "/data/" in path}


EVERY = int(os.environ.get("NIGHTFERRY_KILL_EVERY", "17"))


@need_fork
@pytest.mark.parametrize("last", range(1, 180, EVERY))
def test_a_run_killed_at_any_moment_is_brought_to_its_end_by_the_next(
    two_nights: Path, computer: Computer, desk: Desk, last: int
):
    assert_a_kill_is_made_good(desk, two_nights, computer, last)


@need_fork
@pytest.mark.parametrize("last", range(5, 130, EVERY + 4))
def test_a_run_killed_while_a_log_takes_the_place_of_its_older_part_loses_neither(
    two_nights: Path, computer: Computer, desk: Desk, last: int
):
    grown(computer, two_nights, desk)
    assert_a_kill_is_made_good(desk, two_nights, computer, last)


@need_fork
def test_the_kills_reach_the_end_of_a_run(two_nights: Path, computer: Computer, desk: Desk):
    medium = DyingMedium(None)
    desk.file(two_nights, medium=medium)
    assert 100 < medium.counter.count < 180 + 17


def test_a_run_that_is_told_to_end_leaves_valid_bags_and_says_what_is_left(
    computer: Computer, stick: Path, desk: Desk
):
    computer.frames_of(6, 3_000_000)
    computer.send(stick)
    stop = Stop()

    def listen(event: Event) -> None:
        if isinstance(event, BytesDone):
            stop.ask("signal SIGTERM")

    outcome = desk.file(stick, stop=stop, listen=listen)
    assert outcome.exit_code is ExitCode.STOPPED_EARLY
    assert outcome.refused + outcome.filed == 6
    assert outcome.refused > 0
    assert not outcome.deliveries[0].acknowledged
    desk.assert_all_valid()
    assert len(desk.files()) == outcome.filed
    desk.file(stick)
    assert len(desk.files()) == 6
    desk.assert_all_valid()


def test_a_signal_ends_the_command_in_order(computer: Computer, stick: Path, desk: Desk):
    computer.frames_of(40, 4_000_000)
    computer.send(stick)
    words = command_line("file", stick, "--config", desk.settings, "--json")
    with subprocess.Popen(words, stdout=subprocess.PIPE, cwd=Path(__file__).parents[4]) as process:
        while not list(desk.archive.glob("nightferry-incoming/*.part")) and process.poll() is None:
            pass
        process.send_signal(signal.SIGTERM)
        process.communicate()
    assert process.returncode in (ExitCode.STOPPED_EARLY, ExitCode.PROVEN)
    outcome = desk.file(stick)
    assert (outcome.exit_code, outcome.filed + outcome.already_there) == (0, 40)
    desk.assert_all_valid()


def killed_with_files_unlisted(desk: Desk, stick: Path) -> Path:
    """Kill a run so that the bag of M 51 has whole files that no manifest lists."""
    bag = desk.archive / "M 51"
    for last in range(20, 120):
        shutil.rmtree(desk.archive)
        desk.archive.mkdir()
        died(lambda medium: desk.file(stick, medium=medium, new_archive=True), last)
        if list(bag.glob("data/*/*/*.fits")) and not (bag / "manifest-sha256.txt").exists():
            return bag
    raise AssertionError("no kill left what was wanted")


@need_fork
@pytest.mark.parametrize("left", [{}, {"data/2026-03-14/Ha/light 1.fits": b"of a journal that was lost"}])
def test_a_bag_that_died_before_it_said_whose_it_is_is_the_next_run_s(
    two_nights: Path, desk: Desk, left: dict[str, bytes]
):
    desk.file(two_nights / "2026-03-15")  # begins the archive
    shutil.rmtree(desk.archive / "M 51")
    for path, content in (left | {"nightferry/journal.jsonl": b"", "data/.keep/x": b""}).items():
        (desk.archive / "M 51" / path).parent.mkdir(parents=True, exist_ok=True)
        (desk.archive / "M 51" / path).write_bytes(content)
    (desk.archive / "M 51/data/.keep/x").unlink()
    outcome = desk.file(two_nights)
    assert (outcome.exit_code, outcome.refused) == (ExitCode.PROVEN, 0)
    assert not (desk.archive / "M 51 (2)").exists()
    desk.assert_all_valid()
    aside = desk.archive / "M 51/nightferry/set-aside"
    assert [path.read_bytes() for path in aside.rglob("*")] == list(left.values())
    kept = [finding for finding in outcome.all_findings() if "kept apart" in finding.detail]
    assert len(kept) == len(left)


def test_a_part_that_a_dead_run_left_goes_where_there_is_nothing_more_to_file(two_nights: Path, desk: Desk):
    desk.file(two_nights)
    part = desk.archive / "nightferry-incoming" / "13.part"
    part.write_bytes(b"half a frame")
    assert desk.file(two_nights).filed == 0
    assert not part.exists()


def test_what_stands_whole_but_was_not_written_so_is_kept_apart(
    two_nights: Path, computer: Computer, desk: Desk
):
    bag = killed_with_files_unlisted(desk, two_nights)
    victim = next(path for path in (bag / "data").rglob("*") if path.is_file())
    content = bytearray(victim.read_bytes())
    content[-1] ^= 1
    victim.write_bytes(content)
    outcome = desk.file(two_nights)
    assert list((bag / "nightferry/set-aside").iterdir())
    assert "kept apart" in " ".join(finding.detail for finding in outcome.all_findings())
    assert contents(computer.root / "computer") == {
        hashlib.sha256(one).hexdigest() for one in desk.files().values()
    }
    desk.assert_all_valid()


def test_other_content_under_the_name_of_what_a_dead_run_left_is_kept_beside_it(
    two_nights: Path, computer: Computer, desk: Desk
):
    bag = killed_with_files_unlisted(desk, two_nights)
    (name, *_) = sorted(path.name for path in (bag / "data").rglob("*.fits"))
    computer.frame(f"elsewhere/{name}", data=noise(700, 77))
    computer.send(two_nights, scope=Scope(everything=True))
    desk.file(two_nights)
    assert not (bag / "nightferry/set-aside").exists()
    assert contents(computer.root / "computer") == {
        hashlib.sha256(one).hexdigest() for one in desk.files().values()
    }
    desk.assert_all_valid()
