"""Every file of the sources has its night, and tonight is that of the newest frame."""

import os
import sys
from datetime import UTC, date, datetime

import pytest

from manifests.findings import FindingKind
from tests.support.leases import Lease, leased
from tests.support.nights import EVENING_NS, NIGHT, fits
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.jobs.send.survey import Scope, Survey, chosen_nights, survey

NOW = datetime(2026, 3, 15, 6, 0, tzinfo=UTC)
OLD, NEXT = date(2026, 3, 1), date(2026, 3, 15)


def looked_at(computer, medium=None):
    return survey(computer.config(), Records(computer.records), medium or this_computer(), NOW)


def names(found, night):
    return {file.path for file in found.nights[night]}


def test_a_frame_is_of_the_night_of_its_exposure_and_a_log_of_its_last_line(computer):
    frame = computer.frame("light.fits", begun="2026-03-01T23:00:00")
    computer.log("mount.log")
    found = looked_at(computer)
    assert frame.stat().st_mtime_ns // 10**9 == EVENING_NS // 10**9
    assert (names(found, OLD), names(found, NIGHT)) == ({"light.fits"}, {"mount.log"})
    assert found.newest_frame_night == OLD


def test_the_day_changes_at_the_sites_noon(computer):
    computer.frame("morning.fits", begun="2026-03-15T11:59:00")
    computer.frame("afternoon.fits", begun="2026-03-15T12:09:00")  # the site lies 7.6 minutes west
    found = looked_at(computer)
    assert (names(found, NIGHT), names(found, NEXT)) == ({"morning.fits"}, {"afternoon.fits"})


def test_a_frame_without_a_date_says_nothing_of_when_tonight_is(computer):
    computer.frame("light.fits", begun="2026-03-01T23:00:00")
    computer.frame("no_date.fits", b"SIMPLE  =                    T" + b" " * 2850)
    assert looked_at(computer).newest_frame_night == OLD


def _carded(frame: bytes, *cards: tuple[str, object]) -> bytes:
    lines = "".join(f"{key:<8}= {value!s:>20}".ljust(80) for key, value in cards).encode()
    return (frame[:2880].rstrip().removesuffix(b"END") + lines + b"END").ljust(2880) + frame[2880:]


def test_a_frame_of_another_site_is_dated_by_its_header_and_the_site_is_told_once(computer):
    for hour in (10, 14):  # an evening at 149° E, on both sides of the noon at 1.9° W
        header = fits(begun=f"2026-03-14T{hour}:00:00")
        computer.frame(f"{hour}.fits", _carded(header, ("SITELAT", -31.3), ("SITELONG", 149.1)))
    found = looked_at(computer)
    assert names(found, NIGHT) == {"10.fits", "14.fits"}
    told = [each.path for each in found.findings if each.kind is FindingKind.SITE_ELSEWHERE]
    assert told in (["frames/10.fits"], ["frames/14.fits"])


def test_a_frame_with_local_time_alone_may_be_the_newest(computer):
    frame = fits(begun="2026-03-14T22:00:00").replace(b"DATE-OBS", b"DATE-LOC")
    computer.frame("light.fits", frame)
    computer.frame("earlier.fits", begun="2026-03-01T23:00:00")
    assert looked_at(computer).newest_frame_night == NIGHT


def test_headers_that_were_read_before_are_not_read_again(computer, monkeypatch):
    frame = computer.frame("light.fits", begun="2026-03-01T23:00:00")
    looked_at(computer)
    monkeypatch.setattr("transfer.jobs.send.survey._FrameNights._read", lambda *_: pytest.fail("read again"))
    assert names(looked_at(computer), OLD) == {"light.fits"}
    monkeypatch.undo()
    frame.write_bytes(frame.read_bytes().replace(b"2026-03-01", b"2026-03-08"))
    os.utime(frame, ns=(EVENING_NS, EVENING_NS + 5))
    assert names(looked_at(computer), date(2026, 3, 8)) == {"light.fits"}


class _WhileItIsTaken(type(this_computer())):
    """This computer, with a program that lets go of its lease when it has kept one opening out."""

    def __init__(self, lease):
        super().__init__()
        self.lease = lease
        self.kept_out = 0

    def open_source(self, path):
        try:
            return super().open_source(path)
        except BlockingIOError:
            self.kept_out += 1
            self.lease.let_go()
            raise


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux has leases")
def test_a_frame_that_another_program_keeps_for_itself_is_looked_at_again_at_the_end(computer):
    frame = computer.frame("light.fits", begun="2026-03-01T23:00:00")
    computer.log("mount.log")
    medium = _WhileItIsTaken(Lease(frame))
    found = looked_at(computer, medium)
    assert (medium.kept_out, found.findings) == (1, [])
    assert names(found, OLD) == {"light.fits"}


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux has leases")
def test_a_frame_that_stays_another_programs_own_is_told_and_its_night_not_remembered(computer):
    frame = computer.frame("light.fits", begun="2026-03-01T23:00:00")
    computer.log("mount.log")
    with leased(frame):
        found = looked_at(computer)
    assert names(found, NIGHT) == {"light.fits", "mount.log"}
    assert [(each.kind, each.path) for each in found.findings] == [(FindingKind.LOCKED, "frames/light.fits")]
    assert names(looked_at(computer), OLD) == {"light.fits"}


def test_a_night_that_is_still_to_come_is_told_once_and_is_not_tonight(computer):
    computer.frame("now.fits")
    for number in (1, 2):
        computer.frame(f"ahead {number}.fits", begun=f"2027-03-14T22:0{number}:00")
    found = looked_at(computer)
    (ahead,) = (each for each in found.findings if each.kind is FindingKind.DATED_AHEAD)
    assert ahead.path == "frames/ahead 1.fits"
    assert ahead.detail.startswith("2 files of the night 2027-03-14, and this computer's clock says 2026-")
    assert found.newest_frame_night == NIGHT


def test_without_a_longitude_the_computers_clock_stands_in_and_that_is_told(computer):
    computer.frame("light.fits")
    computer.file.write_text(computer.file.read_text().replace("longitude = -1.9\n", ""))
    found = looked_at(computer)
    assert FindingKind.NO_LONGITUDE in {each.kind for each in found.findings}
    assert names(found, NIGHT) == {"light.fits"}


def found_on(*nights, newest=None):
    result = Survey(0.0)
    result.nights = {night: [] for night in nights}
    result.newest_frame_night = newest
    return result


@pytest.mark.parametrize(
    ("found", "scope", "unfinished", "chosen"),
    [
        (found_on(OLD, NIGHT, newest=NIGHT), Scope(), (), [NIGHT]),
        (found_on(OLD, NIGHT, NEXT, newest=NIGHT), Scope(), (), [NEXT, NIGHT]),  # logs of a night of clouds
        (found_on(OLD, NIGHT), Scope(), (), [NIGHT]),
        (found_on(OLD, NIGHT, newest=NIGHT), Scope(), (OLD,), [NIGHT, OLD]),
        (found_on(NIGHT, newest=NIGHT), Scope(), (OLD,), [NIGHT, OLD]),
        (found_on(OLD, NIGHT, newest=NIGHT), Scope(everything=True), (), [NIGHT, OLD]),
        (found_on(OLD, NIGHT, NEXT), Scope(since=NIGHT), (), [NEXT, NIGHT]),
        (found_on(OLD, NIGHT, NEXT), Scope(nights=frozenset({OLD})), (), [OLD]),
        (found_on(OLD, NIGHT, NEXT), Scope(nights=frozenset({OLD}), since=NEXT), (), [NEXT, OLD]),
        (found_on(), Scope(), (), []),
    ],
)
def test_the_nights_of_a_run_the_newest_first(found, scope, unfinished, chosen):
    assert chosen_nights(found, scope, frozenset(unfinished)) == chosen
