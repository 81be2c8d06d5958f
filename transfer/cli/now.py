"""`nightferry now`: how the running night stands."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import UTC, datetime

import click

from transfer.cli.options import (
    config_option,
    ends_with_exit_code,
    json_option,
    print_json,
    records_folder,
    say,
    the_config,
)
from transfer.cli.screen import screen_of
from transfer.cli.telling import fitted
from transfer.engine.following import MeetingPlace
from transfer.engine.medium import ReadBack, this_computer
from transfer.engine.standing import moment_of
from transfer.jobs.now import Now, look_at_now
from transfer.words import counted, size_told

_MANY_NIGHTS = 1000


@click.command("now")
@config_option
@json_option
@ends_with_exit_code("now")
def command(config_file: str | None, as_json: bool) -> int:
    """Say how the running night stands: what is carried and proven, the last frame, room left.

    It tells what `send --follow` keeps in the records, and reads and writes nothing on a drive. It exits with
    1 when something deserves a look, and with 3 when a drive is not there.
    """
    config = the_config(config_file)
    medium = this_computer()
    now = datetime.now(UTC)
    found = look_at_now(config, MeetingPlace(records_folder(config), medium), medium, now)
    if as_json:
        print_json(found.as_json())
        return int(found.exit_code)
    screen = screen_of(sys.stdout)
    for line in _lines(found, now):
        say("\n".join(fitted([screen.clean(line)], screen.width)))
    return int(found.exit_code)


def _lines(found: Now, now: datetime) -> Iterator[str]:
    standing = found.standing
    yield from found.troubles
    if found.is_followed and standing is not None and standing.is_closed:
        yield "The night is being closed at this moment: the drive says NOT FINISHED until it is."
        return
    if standing is None or not standing.night:
        if not found.troubles:
            yield "No whole file of tonight has been found yet."
        return
    ended = moment_of(standing.ended_utc)
    if standing.is_closed and ended is not None:
        when = f"{ended.astimezone():%Y-%m-%d %H:%M}"
        yield f"Following of the night of {standing.night} ended at {when}: {standing.why_ended}."
        yield "READ ME FIRST.txt on the drive says how it was closed. nightferry send says it again."
        return
    drives = " and ".join(map(repr, standing.drives)) or "a drive"
    rest = standing.whole - standing.proven
    waiting = f"; {counted(rest, 'file')} not yet" if rest else ""
    frames, others = standing.proven_frames, standing.proven - standing.proven_frames
    what = counted(frames, "frame") + (f" and {counted(others, 'other file')}" if others else "")
    how = f"proven on {drives}"
    if standing.read_back != ReadBack.MEDIUM.value:
        how = f"compared on {drives}, but perhaps from memory"
    size = size_told(standing.proven_bytes)
    yield f"Night of {standing.night}: {what} ({size}) {how}{waiting}."
    last = moment_of(standing.last_frame_utc)
    if last is not None:
        usual = f"; usually one every {_time(standing.usual_gap_s)}" if standing.usual_gap_s else ""
        yield f"Last frame: {last.astimezone():%H:%M:%S}, {_ago((now - last).total_seconds())}{usual}."
    if found.free_bytes is not None:
        nights = f": {_nights(found.room_nights)} like this so far" if found.room_nights else ""
        yield f"Room left: {size_told(found.free_bytes)}{nights}."
    until = moment_of(standing.until_utc)
    if found.is_followed and until is not None:
        yield f"Followed until {until.astimezone():%Y-%m-%d %H:%M}."


def _nights(count: float) -> str:
    if count > _MANY_NIGHTS:
        return f"more than {_MANY_NIGHTS:,} nights"
    return f"as much as {count:.1f} nights" if count < 10 else f"as much as {count:.0f} nights"


def _ago(seconds: float) -> str:
    return "by a clock that was set since" if seconds < -1 else f"{_time(max(seconds, 0))} ago"


def _time(seconds: float) -> str:
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 100:
        return f"{minutes} min"
    hours = minutes / 60
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:,.0f} days"
