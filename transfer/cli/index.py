"""`nightferry index`: the archive's index built again from its bags."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import click

from transfer.cli.archives import archive_options, chosen_archive
from transfer.cli.options import any_config, ends_with_exit_code, print_json
from transfer.cli.screen import screen_of
from transfer.cli.telling import until_the_reader_goes, worth_a_look, write_lines
from transfer.errors import ConfigurationError
from transfer.jobs.index import IndexOutcome, LogsOutcome, build_index, read_archive_logs
from transfer.words import hours_told


@click.command("index")
@click.option("--logs", is_flag=True, help="Only read the logs that the present descriptions have not read.")
@archive_options
@ends_with_exit_code("index")
def command(config_file: str | None, archive_folder: Path | None, as_json: bool, logs: bool) -> int:
    """Build the archive's index again from its bags.

    The index is a cache of what the bags' entries say: no frame is opened, and nothing but the index is
    written. Bags that are not there now are kept in it, as absent. The logs in the bags are read by the
    configuration's descriptions ([[source.logs]]); with --logs, after one was changed, they alone.
    """
    root, config = chosen_archive(config_file, archive_folder).root, any_config(config_file)
    if logs:
        if config is None:
            raise ConfigurationError(
                "--logs reads logs by the descriptions of a configuration, and none is found"
            )
        read = read_archive_logs(root, config, datetime.now(UTC))
        return _tell(read, _log_lines(read), as_json)
    outcome = build_index(root, config)
    return _tell(outcome, _lines(outcome), as_json)


def _tell(outcome: IndexOutcome | LogsOutcome, lines: Iterator[str], as_json: bool) -> int:
    with until_the_reader_goes():
        if as_json:
            print_json(outcome.as_json())
        else:
            write_lines(map(screen_of(sys.stdout).clean, lines))
    return int(outcome.exit_code)


def _log_lines(outcome: LogsOutcome) -> Iterator[str]:
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
