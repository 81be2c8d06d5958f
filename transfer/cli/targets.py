"""`nightferry targets`: what there is of each target."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import click

from manifests.index.targets import FilterSum, TargetRow, targets
from transfer.archive.one_place import one_place_findings
from transfer.archive.questions import browsed
from transfer.archive.typed_names import shown_names
from transfer.cli.archives import archive_options, chosen_archive
from transfer.cli.options import ends_with_exit_code, print_json
from transfer.cli.screen import screen_of
from transfer.cli.tables import Cell, Column, Narrow, table
from transfer.cli.telling import NoteWriter, until_the_reader_goes, write_lines
from transfer.errors import ExitCode
from transfer.words import counted, hours_told

_COLUMNS = (
    Column("target", narrow=Narrow.WRAPS, least=10),
    Column("nights", right=True),
    Column("hours", right=True),
    Column("by filter", narrow=Narrow.WRAPS, least=12),
    Column("first", expendable=2),
    Column("last"),
    Column("RA, Dec", expendable=1),
    Column("results", right=True, rare=True),
    Column("not in use", right=True, rare=True),
    Column("absent", right=True, rare=True),
)


@click.command("targets")
@archive_options
@ends_with_exit_code("targets", {"targets": [], "hours": 0.0})
def command(config_file: str | None, archive_folder: Path | None, as_json: bool) -> int:
    """List the archive's targets: nights, hours by filter, first and last night, where in the sky.

    Raw lights count, and exposures of no known type; results are stacks and calibrated frames, made from
    them. Positions are the middle of where the frames point (ICRS).
    """
    chosen, notes = chosen_archive(config_file, archive_folder), NoteWriter()
    with until_the_reader_goes(), browsed(chosen.root, notes) as archive:
        rows = archive.ask(lambda index: list(targets(index, shown_names(index, chosen.own))))
        found = sorted(rows, key=_in_order)
        code = ExitCode.SOMETHING_UNPROVEN if archive.findings else ExitCode.PROVEN
        findings = [*archive.findings, *one_place_findings(archive, chosen.archives, by_target=True)]
        notes.say_findings(findings)
        if as_json:
            common = {"command": "targets", "exit": int(code), "message": _message(found)}
            listed = {"targets": list(map(_as_json, found)), "hours": sum(row.hours for row in found)}
            told = {"notes": notes.said, "findings": [one.as_json() for one in findings]}
            print_json({**common, **listed, **told})
        else:
            write_lines(_lines(found))
    return int(code)


def _in_order(row: TargetRow) -> tuple[bool, list[str | int], str]:
    """Sort names by their words, and the numbers in them by size: M 5 comes before M 31."""
    parts = re.split("([0-9]+)", (row.target or "").casefold())
    numbered = [int(part) if at % 2 else part for at, part in enumerate(parts)]
    return row.target is None, numbered, row.target or ""


def _lines(found: Sequence[TargetRow]) -> Iterator[str]:
    yield from table(_COLUMNS, map(_cells, found), screen_of(sys.stdout))
    yield _message(found)


def _message(found: Sequence[TargetRow]) -> str:
    frames = counted(sum(row.frames for row in found), "frame")
    named = counted(sum(row.target is not None for row in found), "target")
    return f"{named}, {frames}, {hours_told(sum(row.hours for row in found))} hours."


def _cells(row: TargetRow) -> tuple[Cell, ...]:
    return (
        row.target,
        f"{row.nights:,}",
        hours_told(row.hours),
        [f"{each.filter or '-'} {hours_told(each.hours)}" for each in row.filters],
        row.first_night.isoformat(),
        row.last_night.isoformat(),
        _position(row),
        f"{row.results:,}" if row.results else None,
        f"{row.not_in_use:,}" if row.not_in_use else None,
        f"{row.absent_frames:,}" if row.absent_frames else None,
    )


def _position(row: TargetRow) -> str | None:
    if row.ra_deg is None or row.dec_deg is None:
        return None
    return f"{hours_and_minutes(row.ra_deg)} {degrees_and_minutes(row.dec_deg)}"


def hours_and_minutes(ra_deg: float) -> str:
    """Return a right ascension to the nearest minute of time."""
    minutes = round(ra_deg * 4) % 1440
    return f"{minutes // 60:02}h{minutes % 60:02}m"


def degrees_and_minutes(dec_deg: float) -> str:
    """Return a declination to the nearest minute of arc."""
    minutes = round(abs(dec_deg) * 60)
    return f"{'-' if dec_deg < 0 and minutes else '+'}{minutes // 60:02}°{minutes % 60:02}′"


def _as_json(row: TargetRow) -> dict[str, Any]:
    return {
        "target": row.target,
        "nights": row.nights,
        "first_night": row.first_night.isoformat(),
        "last_night": row.last_night.isoformat(),
        "frames": row.frames,
        "hours": row.hours,
        "filters": list(map(_filter_as_json, row.filters)),
        "ra_deg": row.ra_deg,
        "dec_deg": row.dec_deg,
        "field_deg": row.field_deg,
        "absent_frames": row.absent_frames,
        "results": row.results,
        "not_in_use": row.not_in_use,
    }


def _filter_as_json(of: FilterSum) -> dict[str, Any]:
    return {"filter": of.filter, "frames": of.frames, "hours": of.hours}
