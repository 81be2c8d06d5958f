"""`nightferry nights`: the frames of each night."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import click

from manifests.frames.frame import FrameType, Stage
from manifests.index.frame_query import SECONDS_PER_HOUR
from manifests.index.nights import NightPart, NightRow, nights
from transfer.archive.one_place import one_place_findings
from transfer.archive.questions import browsed
from transfer.archive.typed_names import Typed, shown_names
from transfer.cli.archives import archive_options, chosen_archive, meant_by
from transfer.cli.night_options import night_options, nights_between
from transfer.cli.options import ends_with_exit_code, print_json
from transfer.cli.screen import screen_of
from transfer.cli.selecting import target_and_filter_options
from transfer.cli.tables import NOTHING, Cell, Column, Narrow, table
from transfer.cli.telling import NoteWriter, until_the_reader_goes, write_lines
from transfer.errors import ExitCode
from transfer.words import counted, hours_told

# An exposure of no known type may well be a light.
_LIGHTS = (FrameType.LIGHT, None)
_COLUMNS = (
    Column("night"),
    Column("hours", right=True),
    Column("moon", right=True, expendable=2),
    Column("findings", right=True, expendable=1),
    Column("not measured", right=True, expendable=3, rare=True),
    Column("absent", right=True, rare=True),
    Column("verdict", rare=True),
    Column("target", narrow=Narrow.WRAPS, least=12),
    Column("frames by filter", narrow=Narrow.WRAPS, least=20),
)


@click.command("nights")
@archive_options
@target_and_filter_options
@night_options
@ends_with_exit_code("nights", {"nights": [], "hours": 0.0})
def command(
    config_file: str | None,
    archive_folder: Path | None,
    as_json: bool,
    night: date | None,
    since: date | None,
    until: date | None,
    targets: tuple[str, ...],
    filters: tuple[str, ...],
) -> int:
    """List the archive's nights: hours of lights, frames by target and filter, findings, moon, your verdict.

    A night is named by the date of its evening. The moon is how much of it was lit, in percent, as computed
    for the night's frames. Raw frames count; what was made from them is listed apart. With --target or
    --filter only such frames count, and nights without any are left out.
    """
    within = nights_between(night, since, until)
    chosen, notes = chosen_archive(config_file, archive_folder), NoteWriter()
    with until_the_reader_goes(), browsed(chosen.root, notes) as archive:
        meant = meant_by(Typed(targets, filters), archive, chosen.own, notes)
        found = archive.ask(
            lambda index: list(
                nights(index, within, meant.targets, meant.filters, shown_names(index, chosen.own))
            )
        )
        code = ExitCode.SOMETHING_UNPROVEN if archive.findings else ExitCode.PROVEN
        alone = one_place_findings(
            archive, chosen.archives, by_target=False, nights=(row.night for row in found)
        )
        findings = [*archive.findings, *alone]
        notes.say_findings(findings)
        if as_json:
            common = {"command": "nights", "exit": int(code), "message": _message(found)}
            listed = {"nights": list(map(_as_json, found)), "hours": sum(row.hours for row in found)}
            told = {"notes": notes.said, "findings": [one.as_json() for one in findings]}
            print_json({**common, **listed, **told})
        else:
            write_lines(_lines(found))
    return int(code)


def _lines(found: Sequence[NightRow]) -> Iterator[str]:
    rows = (cells for row in found for cells in _rows(row))
    yield from table(_COLUMNS, rows, screen_of(sys.stdout))
    yield _message(found)


def _message(found: Sequence[NightRow]) -> str:
    frames = counted(sum(row.frames for row in found), "frame")
    hours = hours_told(sum(row.hours for row in found))
    return f"{counted(len(found), 'night')}, {frames}, {hours} hours of lights."


def _rows(row: NightRow) -> Iterator[tuple[Cell, ...]]:
    """Return a night's rows, one for each target; the facts of the whole night are in the first."""
    whole = _whole(row)
    for target, frames in _given(row):
        yield *whole, target, frames
        whole = ("",) * len(whole)


def _whole(row: NightRow) -> tuple[Cell, ...]:
    return (
        row.night.isoformat(),
        hours_told(row.hours),
        None if row.moon_illumination is None else f"{row.moon_illumination:.0%}",
        f"{findings:,}" if (findings := row.findings - row.not_measured) else None,
        f"{row.not_measured:,}" if row.not_measured else None,
        f"{row.absent_frames:,}" if row.absent_frames else None,
        None if row.verdict is None else row.verdict.verdict.value,
    )


def _given(row: NightRow) -> Iterator[tuple[Cell, Cell]]:
    """Return a night's lights of each target and of none, then of all the rest."""
    lights: dict[str | None, dict[str, tuple[int, float]]] = {}
    results: list[str] = []
    others: list[str] = []
    unused: list[str] = []
    for frame_type, target, name, frames, exposure_s, stage, in_use in row.parts:
        if not in_use:
            unused.append(_joined(target, name, frame_type, f"{frames:,}"))
        elif frame_type not in _LIGHTS:
            made = None if stage is Stage.RAW else stage.value
            others.append(_joined(made, frame_type, name, f"{frames:,}"))
        elif stage is not Stage.RAW:
            results.append(_joined(target, name, stage.value, f"{frames:,}"))
        else:
            by_filter = lights.setdefault(target, {})
            before = by_filter.get(name or NOTHING, (0, 0.0))  # an exposure of no known type may be a light
            by_filter[name or NOTHING] = before[0] + frames, before[1] + exposure_s
    of_no_target = lights.pop(None, None)
    yield from ((target, _by_filter(sums)) for target, sums in lights.items())
    if of_no_target:
        yield None, _by_filter(of_no_target)
    if results:
        yield "(results)", results
    if others:
        yield "(calibration)", others
    if unused:
        yield "(not in use)", unused
    if row.logs:
        yield "(logs)", f"{row.logs:,}"


def _by_filter(sums: dict[str, tuple[int, float]]) -> list[str]:
    return [
        f"{name} {frames:,} ({hours_told(exposure_s / SECONDS_PER_HOUR)} h)"
        for name, (frames, exposure_s) in sums.items()
    ]


def _joined(*words: str | None) -> str:
    return " ".join(word for word in words if word is not None)


def _as_json(row: NightRow) -> dict[str, Any]:
    return {
        "night": row.night.isoformat(),
        "frames": row.frames,
        "hours": row.hours,
        "parts": list(map(_part_as_json, row.parts)),
        "logs": row.logs,
        "finding_count": row.findings,
        "not_measured": row.not_measured,
        "moon_illumination": row.moon_illumination,
        "absent_frames": row.absent_frames,
        "verdict": None if row.verdict is None else row.verdict.verdict.value,
        "because": "" if row.verdict is None else row.verdict.because,
    }


def _part_as_json(part: NightPart) -> dict[str, Any]:
    return {
        "type": part.frame_type,
        "target": part.target,
        "filter": part.filter,
        "stage": part.stage,
        "in_use": part.in_use,
        "frames": part.frames,
        "hours": part.hours,
    }
