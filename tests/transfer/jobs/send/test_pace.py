"""The next estimate follows the last sends to a drive, and a run says at its beginning what it carries."""

import json
import shutil
import sys
from datetime import date

import pytest

from tests.support.nights import noise, prepared
from tests.transfer.jobs.send.test_preview import planned
from transfer.engine.records import Records, Timed
from transfer.events import Ahead, BytesDone, FileBegan, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.send.pace import TELLING_BYTES, Pace, RestsOn, Stopwatch


def identity(stick):
    text = (stick / "nightferry-drive.toml").read_text()
    return next(line.split('"')[1] for line in text.splitlines() if line.startswith("id"))


def all_of(told, kind, phase=None):
    return [each for each in told if isinstance(each, kind) and phase in (None, getattr(each, "phase", None))]


# What is remembered


def test_the_last_sends_are_kept_each_drive_s_apart(tmp_path):
    records = Records(tmp_path)
    sends = [Timed(number, 1.5, number, 0.5) for number in range(1, 8)]
    for send in sends:
        records.keep_timed("one", send)
    records.keep_timed("other", sends[0])
    assert records.timed("one") == sends[-5:]
    assert records.timed("other") == sends[:1]


@pytest.mark.parametrize("sends", [5, [[1, 2]], [["a", "b", "c", "d"]], [None]])
def test_times_that_make_no_sense_are_none(tmp_path, sends):
    (tmp_path / "timed").mkdir()
    (tmp_path / "timed/one.json").write_text(json.dumps({"format": 1, "sends": sends}))
    assert Records(tmp_path).timed("one") == []


# What plan says


def test_a_plan_estimates_from_the_last_sends_to_the_drive(computer, tmp_path):
    computer.small_night()
    stick = prepared(tmp_path / "stick")
    mark = stick / "nightferry-drive.toml"
    mark.write_text(mark.read_text() + "write_bytes_per_s = 90000\nread_bytes_per_s = 90000\n")
    assert planned(computer, stick).drives[0].pace.rests_on is RestsOn.PREPARE
    records = Records(computer.records)
    records.keep_timed(identity(stick), Timed(40_000, 20.0, 40_000, 10.0))
    records.keep_timed(identity(stick), Timed(20_000, 40.0, 20_000, 2.0))
    (drive,) = planned(computer, stick).drives
    assert drive.pace == Pace(1000.0, 5000.0, RestsOn.SENDS, 2)
    assert drive.takes_s == pytest.approx(drive.carry_bytes / 1000 + drive.carry_bytes / 5000)
    assert drive.as_json()["estimated_from"] == "last sends"
    told = computer.command("plan", "--drive", stick).out
    assert "(by the last 2 sends to it)" in told


def test_another_drive_s_sends_say_nothing_of_this_one(computer, stick, tmp_path):
    computer.small_night()
    Records(computer.records).keep_timed(identity(prepared(tmp_path / "other")), Timed(1, 1.0, 1, 1.0))
    assert planned(computer, stick).drives[0].pace.rests_on is RestsOn.GUESS


def test_a_send_is_timed_and_the_next_plan_rests_on_it(computer, stick):
    computer.frames_of(2, TELLING_BYTES)
    outcome = computer.send(stick)
    (timed,) = Records(computer.records).timed(identity(stick))
    assert timed.write_bytes == timed.read_bytes == outcome.bytes_proven
    assert min(timed.write_s, timed.read_s) > 0
    assert planned(computer, stick).drives[0].pace.rests_on is RestsOn.SENDS
    computer.send(stick)
    assert len(Records(computer.records).timed(identity(stick))) == 1, "nothing was carried, nothing timed"


def test_a_send_of_little_says_nothing_of_the_drive(computer, stick):
    computer.small_night()
    computer.send(stick)
    assert Records(computer.records).timed(identity(stick)) == []


def test_two_drives_of_one_name_are_not_timed(computer, tmp_path):
    computer.frames_of(2, TELLING_BYTES)
    sticks = [prepared(tmp_path / "a"), prepared(tmp_path / "b")]
    computer.send(*sticks)
    assert [Records(computer.records).timed(identity(stick)) for stick in sticks] == [[], []]


def test_a_stopwatch_counts_each_phase_while_it_lasts():
    now = iter([0.0, 10.0, 100.0, 104.0, 200.0, 201.0])
    heard = []
    stopwatch = Stopwatch(heard.append, lambda: next(now))
    events = [
        PhaseBegan(Phase.COPYING, "a", TELLING_BYTES),
        BytesDone(Phase.COPYING, "a", TELLING_BYTES),
        PhaseEnded(Phase.COPYING, "a"),
        PhaseBegan(Phase.READING_BACK, "a", TELLING_BYTES),
        BytesDone(Phase.READING_BACK, "a", TELLING_BYTES),
        PhaseEnded(Phase.READING_BACK, "a"),
        PhaseBegan(Phase.READING_BACK, "a", 5),
        BytesDone(Phase.READING_BACK, "a", 5),
        PhaseEnded(Phase.READING_BACK, "a"),
    ]
    for event in events:
        stopwatch(event)
    assert heard == events
    assert stopwatch.timed(["a", "b"]) == Timed(TELLING_BYTES, 10.0, TELLING_BYTES + 5, 5.0)


# What a run says of its way


def test_a_run_says_at_its_beginning_what_it_carries_and_then_carries_that(computer, stick, tmp_path):
    computer.small_night()
    other = prepared(tmp_path / "other", "Other stick")
    told = []
    outcome = computer.send(stick, other, listen=told.append)
    ahead = all_of(told, Ahead)
    assert told.index(ahead[0]) < told.index(all_of(told, PhaseBegan, Phase.COPYING)[0])
    assert {(each.write_bytes, each.read_bytes) for each in ahead} == {(outcome.bytes_proven,) * 2}
    for phase in (Phase.COPYING, Phase.READING_BACK):
        assert sum(each.size_bytes for each in all_of(told, BytesDone, phase)) == outcome.bytes_proven


def test_what_an_earlier_run_left_unproven_is_only_read(computer, stick):
    computer.small_night()
    computer.send(stick)
    told = []
    computer.send(stick, listen=told.append)
    assert [each[:2] for each in all_of(told, Ahead)] == [(0, 0)]


def test_nights_to_catch_up_with_are_part_of_the_way_from_the_beginning(computer, stick):
    computer.small_night()
    computer.frame("older.fits", begun="2026-03-01T22:00:00")
    told = []
    outcome = computer.send(stick, listen=told.append)
    assert {night.night for night in outcome.nights} == {date(2026, 3, 14), date(2026, 3, 1)}
    assert {each[:2] for each in all_of(told, Ahead)} == {(outcome.bytes_proven,) * 2}


def test_a_night_that_stays_behind_leaves_the_way(computer, volumes):
    computer.small_night()
    told = []
    with volumes("exfat", size_mb=20) as drive:
        prepared(drive.path)
        # Its files alone would fit; with the lists, and what is kept free, they do not.
        data = noise(shutil.disk_usage(drive.path).free - (2 << 20))
        older = computer.frame("older.fits", begun="2026-03-01T22:00:00", data=data)
        outcome = computer.send(drive.path, listen=told.append)
    assert [each.files for each in outcome.left_behind] == [1]
    ways = [each[:2] for each in all_of(told, Ahead)]
    assert ways[0] == (outcome.bytes_proven + older.stat().st_size,) * 2
    assert ways[-1] == (outcome.bytes_proven,) * 2


def test_each_file_is_named_when_its_turn_comes(computer, stick):
    computer.small_night()
    told = []
    computer.send(stick, listen=told.append)
    copied, read = (
        {each.path for each in all_of(told, FileBegan, phase)}
        for phase in (Phase.COPYING, Phase.READING_BACK)
    )
    assert copied == read
    assert len(copied) == 5


@pytest.mark.parametrize("kind", ["ext4", "exfat"])
def test_the_device_says_what_it_has_taken_and_all_of_it_by_the_end(computer, volumes, kind):
    computer.frames_of(4, 4 << 20)
    taken = []
    ahead = []

    def listen(event):
        if isinstance(event, Ahead):
            ahead.append(event)
        elif ahead:
            taken.append(ahead[-1].written())

    with volumes(kind, size_mb=64) as drive:
        prepared(drive.path)
        outcome = computer.send(drive.path, listen=listen)
    assert taken[0] < 4 << 20
    assert taken == sorted(taken)
    assert taken[-1] >= outcome.bytes_proven


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux only")
def test_where_nothing_counts_a_run_says_so(computer, stick, monkeypatch):
    monkeypatch.setattr("transfer.engine.medium.linux.medium.counter_file", lambda device, mount: None)
    computer.small_night()
    told = []
    computer.send(stick, listen=told.append)
    assert all_of(told, Ahead)[0].written() is None
