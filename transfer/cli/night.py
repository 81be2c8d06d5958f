"""`nightferry night`: the story of one night."""

from __future__ import annotations

import sys
from datetime import UTC, date, datetime
from pathlib import Path

import click

from transfer.archive.nights_told import place_of
from transfer.archive.questions import browsed
from transfer.cli.archives import archive_options, chosen_archive
from transfer.cli.options import any_config, ends_with_exit_code, print_json
from transfer.cli.screen import screen_of
from transfer.cli.story import story_lines
from transfer.cli.telling import NoteWriter, until_the_reader_goes, write_lines
from transfer.cli.written_nights import Night
from transfer.config import Config
from transfer.config.longitude import longitude_of
from transfer.jobs.night import tell_night
from transfer.jobs.night_plot import draw_night

_NOTHING: dict[str, object] = {"verdict": None, "readings": [], "events": [], "gaps": [], "failures": []}


@click.command("night")
@click.argument("night", type=Night(), metavar="NIGHT")
@click.option(
    "--plot",
    "plot_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Draw the readings into a new .png or .svg file, too (needs nightferry[plot]).",
)
@archive_options
@ends_with_exit_code("night", _NOTHING)
def command(
    config_file: str | None, archive_folder: Path | None, as_json: bool, night: date, plot_file: Path | None
) -> int:
    """Show one night in the order of time: frames, focus, events, gaps, readings, and what failed.

    NIGHT is the date of its evening; or tonight, yesterday, a weekday. For each failure: what every reading
    was at that moment, in the two hours before, and in the nights that went well. Which events count as
    failures is said by [[failure]].
    """
    chosen, notes = chosen_archive(config_file, archive_folder), NoteWriter()
    config = any_config(config_file) or Config(Path("nightferry.toml"))
    longitude_deg, _ = longitude_of(config, datetime.now(UTC))
    place = place_of(config.site, longitude_deg)
    with until_the_reader_goes(), browsed(chosen.root, notes) as archive:
        outcome = archive.ask(lambda index: tell_night(index, archive.root, night, config, place))
        if plot_file is not None:
            draw_night(outcome.told, outcome.title, plot_file)
        if as_json:
            print_json(outcome.as_json() | {"notes": notes.said})
        else:
            write_lines(story_lines(outcome, screen_of(sys.stdout)))
    return int(outcome.exit_code)
