"""`nightferry index`: the archive's index built again from its bags."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import click

from transfer.cli.archives import archive_options, chosen_archive
from transfer.cli.options import ends_with_exit_code, print_json
from transfer.cli.screen import screen_of
from transfer.cli.telling import until_the_reader_goes, write_lines
from transfer.jobs.index import IndexOutcome, build_index
from transfer.words import hours_told


@click.command("index")
@archive_options
@ends_with_exit_code("index")
def command(config_file: str | None, archive_folder: Path | None, as_json: bool) -> int:
    """Build the archive's index again from its bags.

    The index is a cache of what the bags' entries say: no frame is opened, and nothing but the index is
    written. Bags that are not there now are kept in it, as absent.
    """
    outcome = build_index(chosen_archive(config_file, archive_folder).root)
    with until_the_reader_goes():
        if as_json:
            print_json(outcome.as_json())
        else:
            write_lines(map(screen_of(sys.stdout).clean, _lines(outcome)))
    return int(outcome.exit_code)


def _lines(outcome: IndexOutcome) -> Iterator[str]:
    if (aside := outcome.report.set_aside) is not None:
        yield f"The index that was there could not be believed ({aside.reason}); it lies in {aside.path}."
    for path in outcome.absent_bags:
        yield f"Absent: {path}"
    for finding in outcome.report.refreshed.findings:
        detail = f" ({finding.detail})" if finding.detail else ""
        yield f"Worth a look: {finding.path}: {finding.kind.value}{detail}"
    yield f"{outcome.message} {hours_told(outcome.total.hours)} hours."
