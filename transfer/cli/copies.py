"""`nightferry copies`: where each night and target is, and when it was last proven there."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping

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
from transfer.cli.tables import Cell, Column, Narrow, table
from transfer.cli.telling import fitted, worth_a_look
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.jobs.copies import CopiesOutcome, CopiesRow, InPlace, Place, copies
from transfer.stop import Stop

_COLUMNS = (
    Column("night"),
    Column("target", narrow=Narrow.LOSES_ITS_END),
    Column("files", right=True),
    Column("where, and proven there since", narrow=Narrow.WRAPS),
    Column("one place only", right=True, rare=True),
    Column("damaged", right=True, rare=True),
)


@click.command("copies")
@config_option
@json_option
@ends_with_exit_code("copies", {"copies": [], "in_one_place_only": 0})
def command(config_file: str | None, as_json: bool) -> int:
    """List where each night and target is: in which archives, on which drives, and when last proven.

    Every archive and drive of the configuration that is here is asked for its lists, or, where it names no
    drive, every prepared one; no file is read. A file that is known to be damaged in an archive, or missing
    there, does not count as a copy.
    """
    config = the_config(config_file)
    outcome = copies(config, Surroundings(this_computer(), Records(records_folder(config)), Stop()))
    if as_json:
        print_json(outcome.as_json())
    else:
        screen = screen_of(sys.stdout)
        say("\n".join(screen.clean(line) for line in _lines(outcome)))
    return int(outcome.exit_code)


def _lines(outcome: CopiesOutcome) -> Iterator[str]:
    screen = screen_of(sys.stdout)
    names = {place: place.label(outcome.places) for place in outcome.places}
    yield from table(_COLUMNS, (_cells(row, names) for row in outcome.rows), screen)
    yield from fitted([outcome.message, *worth_a_look(outcome.findings, see="--json")], screen.width)


def _cells(row: CopiesRow, names: Mapping[Place, str]) -> tuple[Cell, ...]:
    damaged = sum(held.damaged for held in row.places.values())
    return (
        row.night.isoformat(),
        row.target,
        f"{row.files:,}",
        [_told(names[place], held, row.files) for place, held in row.places.items() if held.files],
        f"{row.in_one_place:,}" if row.in_one_place else None,
        f"{damaged:,}" if damaged else None,
    )


def _told(name: str, held: InPlace, files: int) -> str:
    some = "" if held.files == files else f" ({held.files:,} of {files:,})"
    since = "" if held.proven_utc is None else f" {held.proven_utc:%Y-%m-%d}"
    return f"{name}{since}{some}"
