"""`nightferry send --follow`: lines as things happen, until the night is to be closed."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from importlib.metadata import version

from transfer.bounded import run_bounded
from transfer.cli.options import print_json, records_folder, say
from transfer.cli.screen import screen_of
from transfer.cli.signals import stop_on_signals
from transfer.cli.telling import fitted
from transfer.config import Config, parse_duration_s
from transfer.engine.following import MeetingPlace
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.standing import End
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, ExitCode
from transfer.events import Event, Noted, Skipped
from transfer.jobs.send.follow import BYTES_PER_S, Follower, end_of_night
from transfer.jobs.send.ready import SendRequest
from transfer.stop import Stop

_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")


def follow_the_night(
    config: Config,
    request: SendRequest,
    until: str | None,
    rate_mb_s: float | None,
    as_json: bool,
    close: Callable[[], int],
) -> int:
    """Follow the night, `close` it when its time has come, and return the exit code.

    One lock is held all the while: a run of send that comes meanwhile takes over, or waits for the closing.
    Raises ConfigurationError where nights were asked for by name, or a time is none; and Busy.
    """
    if not request.scope.is_tonight:
        step = "Leave out --night, --since and --all; the closing run catches up with earlier nights."
        raise ConfigurationError("--follow follows tonight", next_step=step)
    if not config.sources:
        step = "Name the folders to carry, each under [[source]]."
        raise ConfigurationError("The configuration names no source", config.file, step)
    now = datetime.now().astimezone()
    end = end_of_night(config, now) if until is None else _moment(until, now)
    stop = Stop(bytes_per_s=BYTES_PER_S, elastic=True)
    if rate_mb_s is not None:
        stop = Stop(bytes_per_s=rate_mb_s * 1e6)
    stop_on_signals(stop)
    medium = this_computer()
    records = Records(records_folder(config))
    around = Surroundings(medium, records, stop, _Lines(not as_json))
    place = MeetingPlace(records.folder, medium)
    follower = Follower(config, request, around, place, end, version("nightferry"))
    with place.alone():
        ended, _ = run_bounded(follower.run, lambda: End.STOPPED, stop)
        if ended is End.TIME:
            return close()
    code = follower.exit_code if ended is End.HANDED_OVER else ExitCode.STOPPED_EARLY
    _report(follower, ended, code, stop, as_json)
    return int(code)


def _moment(written: str, now: datetime) -> datetime:
    """Return the next moment at which this computer's clock shows a time, or one so long from now."""
    clock = _CLOCK.fullmatch(written.strip())
    if clock is not None:
        today = now.replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0)
        return today if today > now else today + timedelta(days=1)
    try:
        return now + timedelta(seconds=parse_duration_s(written))
    except (ValueError, OverflowError) as error:
        step = "Write a time of this computer's clock, such as 07:30, or how long from now, such as 8h."
        raise ConfigurationError(f"--until {written!r} is no time", next_step=step) from error


def _report(follower: Follower, ended: End, code: ExitCode, stop: Stop, as_json: bool) -> None:
    standing = follower.standing
    why = f"{ended.value} ({stop.why})" if stop.why else ended.value
    proven = f"{standing.proven:,} of {standing.whole:,} files were carried and proven"
    message = " ".join(filter(None, (f"Following ended: {why}. {proven}.", follower.trouble)))
    if as_json:
        told = {"command": "send", "exit": int(code), "message": message, "findings": []}
        nothing = {"nights": [], "files_unproven": standing.whole - standing.proven, "safe_to_pull": False}
        counts = {"files_proven": standing.proven, "bytes_proven": standing.proven_bytes}
        print_json(told | nothing | counts | {"followed": standing.as_json()})
    else:
        step = "" if ended is End.HANDED_OVER else " The night is not closed yet: nightferry send does that."
        say("\n".join(fitted([message + step], screen_of(sys.stdout).width)))


class _Lines:
    """Says what a follower notes, each line with the time of this computer's clock."""

    def __init__(self, shown: bool) -> None:
        self._shown = shown

    def __call__(self, event: Event) -> None:
        """Take one event."""
        if isinstance(event, Skipped):
            say(screen_of(sys.stderr).clean(f"{event.path} {event.why}: skipped."), err=True)
        elif isinstance(event, Noted) and self._shown:
            screen = screen_of(sys.stdout)
            line = screen.clean(f"{datetime.now():%H:%M:%S} {event.line}")  # noqa: DTZ005 - the wall clock
            say("\n".join(fitted([line], screen.width)))
