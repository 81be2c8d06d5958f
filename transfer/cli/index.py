"""`nightferry index`: the archive's index built again from its bags."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from transfer.cli.archives import archive_options, chosen_archive
from transfer.cli.options import any_config, ends_with_exit_code, print_json
from transfer.cli.progress import Progress
from transfer.cli.screen import screen_of
from transfer.cli.signals import stop_on_signals
from transfer.cli.telling import until_the_reader_goes, worth_a_look, write_lines
from transfer.errors import ConfigurationError
from transfer.jobs.index import IndexOutcome, LogsOutcome, build_index, read_archive_logs
from transfer.stop import Stop
from transfer.words import hours_told

if TYPE_CHECKING:
    from transfer.jobs.measures.run import MeasuresOutcome


@click.command("index")
@click.option("--logs", is_flag=True, help="Only read the logs that the present descriptions have not read.")
@click.option("--measures", is_flag=True, help="Only measure the frames that are not measured yet.")
@archive_options
@ends_with_exit_code("index")
def command(
    config_file: str | None, archive_folder: Path | None, as_json: bool, logs: bool, measures: bool
) -> int:
    """Build the archive's index again from its bags.

    The index is a cache of what the bags' entries say: no frame is opened, and nothing but the index is
    written. Bags that are not there now are kept in it, as absent. The logs in the bags are read by the
    configuration's descriptions ([[source.logs]]); with --logs, after one was changed, they alone.

    With --measures, raw frames are opened and measured on every core: the sky and its noise, and in lights
    the stars, their size and elongation. Stop it at any time; the next run goes on.
    """
    if measures:
        if logs:
            raise ConfigurationError("--logs and --measures are two runs")
        return _measure(chosen_archive(config_file, archive_folder).root, as_json)
    root, config = chosen_archive(config_file, archive_folder).root, any_config(config_file)
    if logs:
        if config is None:
            raise ConfigurationError(
                "--logs reads logs by the descriptions of a configuration, and none is found"
            )
        read = read_archive_logs(root, config, datetime.now(UTC))
        return _tell(read, _read_lines(read), as_json)
    outcome = build_index(root, config)
    return _tell(outcome, _lines(outcome), as_json)


def _measure(root: Path, as_json: bool) -> int:
    from transfer.jobs.measures.run import measure_archive

    stop = Stop()
    stop_on_signals(stop)
    with Progress(shown=not as_json) as progress:
        measured = measure_archive(root, lambda: stop.why, progress)
    return _tell(measured, _read_lines(measured), as_json)


def _tell(outcome: IndexOutcome | LogsOutcome | MeasuresOutcome, lines: Iterator[str], as_json: bool) -> int:
    with until_the_reader_goes():
        if as_json:
            print_json(outcome.as_json())
        else:
            write_lines(map(screen_of(sys.stdout).clean, lines))
    return int(outcome.exit_code)


def _read_lines(outcome: LogsOutcome | MeasuresOutcome) -> Iterator[str]:
    yield from worth_a_look(outcome.findings, see="--json")
    yield outcome.message


def _lines(outcome: IndexOutcome) -> Iterator[str]:
    if (aside := outcome.report.set_aside) is not None:
        yield f"The index that was there could not be believed ({aside.reason}); it lies in {aside.path}."
    for path in outcome.absent_bags:
        yield f"Absent: {path}"
    yield from worth_a_look(outcome.findings, see="--json")
    if outcome.logs is not None:
        yield outcome.logs.message
    yield f"{outcome.message} {hours_told(outcome.total.hours)} hours."
