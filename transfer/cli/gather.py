"""`nightferry gather`: lay out a target's lights and the calibration frames that fit them."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import click

from manifests.frames.calibration.tolerances import Tolerances
from manifests.index.frame_query import Measured
from transfer.cli.archives import archive_options, chosen_archive
from transfer.cli.completion import complete_filters, complete_targets
from transfer.cli.options import (
    WRITTEN_PATH,
    all_findings_option,
    ends_with_exit_code,
    print_json,
    say,
)
from transfer.cli.progress import Progress
from transfer.cli.screen import screen_of
from transfer.cli.selecting import measure_options, measures_asked
from transfer.cli.telling import NoteWriter, until_the_reader_goes
from transfer.cli.written_nights import NIGHT_HELP, Night
from transfer.engine.medium import ReadBack, this_computer
from transfer.errors import ConfigurationError
from transfer.jobs.gather.outcome import GatherOutcome, How
from transfer.jobs.gather.report import report, wrapped
from transfer.jobs.gather.request import GatherRequest, Means
from transfer.jobs.gather.run import Gathering
from transfer.stop import Stop
from transfer.words import counted, size_told

_NOTHING: dict[str, object] = {
    "target": None,
    "targets": [],
    "folder": None,
    "hours": 0.0,
    "matches": [],
    "missing": [],
    "laid_out": [],
}
_WIDEST = 120
_PIPED_WIDTH = 100


@click.command("gather")
@click.argument("target", shell_complete=complete_targets)
@click.option("--into", "folder", type=WRITTEN_PATH, metavar="FOLDER", help="Where to lay it out.")
@click.option(
    "--dry-run", is_flag=True, help="Say what would be laid out and what is missing; write nothing."
)
@click.option(
    "--filter",
    "filters",
    multiple=True,
    metavar="NAME",
    shell_complete=complete_filters,
    help="Only this filter, in any spelling.",
)
@click.option(
    "--night",
    "nights",
    multiple=True,
    type=Night(),
    metavar="NIGHT",
    help=f"Only this night: {NIGHT_HELP}.",
)
@click.option("--since", type=Night(), metavar="NIGHT", help="Every night from NIGHT on.")
@measure_options
@click.option(
    "--masters",
    "masters_first",
    is_flag=True,
    help="Masters where they fit, not raw calibration frames. Default: only where no raw ones fit.",
)
@click.option("--copy", "means", flag_value=Means.COPY.value, help="Lay out copies, proven, not links.")
@click.option("--symbolic", "means", flag_value=Means.SYMBOLIC_LINK.value, help="Lay out symbolic links.")
@all_findings_option
@archive_options
@ends_with_exit_code("gather", _NOTHING)
def command(
    target: str,
    folder: Path | None,
    config_file: str | None,
    archive_folder: Path | None,
    as_json: bool,
    all_findings: bool,
    **options: Any,
) -> int:
    """Lay out the lights of TARGET, and the calibration frames that fit them, in a folder for processing.

    TARGET may be spelled in any way; a target's panels come together unless one is named. Without options
    all its lights: as copies where they take no room, because the file system lets them share the archive's
    blocks, else as read-only hard links, or as copies on another disk. No frame of the archive is changed.
    Run it again to add what is new: nothing in the folder is overwritten, and a frame that you have put
    elsewhere in it stays there.
    """
    measured = measures_asked({each.value: options.pop(each.value) for each in Measured})
    request = replace(_request(target, folder, **options), measured=measured)
    outcome = _gather(request, config_file, archive_folder, as_json)
    with until_the_reader_goes():
        if as_json:
            print_json(outcome.as_json())
        else:
            _tell(outcome, target, all_findings)
    return int(outcome.exit_code)


def _request(
    target: str,
    folder: Path | None,
    filters: tuple[str, ...],
    nights: tuple[date, ...],
    since: date | None,
    masters_first: bool,
    means: str | None,
    dry_run: bool,
) -> GatherRequest:
    if folder is None and not dry_run:
        step = "Name one with --into FOLDER, or ask with --dry-run what would be laid out."
        raise ConfigurationError("No folder is named to lay it out in", next_step=step)
    return GatherRequest(
        target,
        None if folder is None else folder.absolute(),
        filters,
        frozenset(nights),
        since,
        Means.BEST if means is None else Means(means),
        masters_first,
        dry_run,
    )


def _gather(
    request: GatherRequest, config_file: str | None, archive_folder: Path | None, as_json: bool
) -> GatherOutcome:
    chosen, tolerances = chosen_archive(config_file, archive_folder), Tolerances()
    if chosen.config is not None and (chosen.config_file is not None or config_file is not None):
        tolerances = chosen.config.calibration
    stop = Stop()
    signal.signal(signal.SIGINT, lambda *_: stop.ask("interrupted"))
    with Progress(shown=not as_json) as progress:
        gathering = Gathering(
            root=chosen.root,
            own=chosen.own,
            tolerances=tolerances,
            request=request,
            medium=this_computer(),
            stop=stop,
            listen=progress,
            tell=NoteWriter(),
            config_file=chosen.config_file,
        )
        return gathering.run()


def _tell(outcome: GatherOutcome, written: str, each_finding: bool) -> None:
    screen = screen_of(sys.stdout)
    width = min(screen.width or _PIPED_WIDTH, _WIDEST)
    lines = (*_head(outcome, written, width), *report(outcome, width, each_finding))
    say("\n".join(map(screen.clean, lines)))


def _head(outcome: GatherOutcome, written: str, width: int) -> Iterator[str]:
    yield from wrapped(outcome.message, width)
    if outcome.how_named:
        yield from wrapped(f'"{written}" is {outcome.target} ({outcome.how_named}).', width)
    yield from wrapped(_what_is_new(outcome), width)
    if outcome.tables:
        yield from wrapped(f"Tables of what follows: {', '.join(outcome.tables)}", width)
    if outcome.links_because and outcome.count(How.HARD_LINK):
        yield from wrapped(f"Links, not copies (--copy makes those): {outcome.links_because}.", width)
    for reason in outcome.reasons:
        yield from wrapped(f"Copied where links were wanted: {reason}.", width)


def _what_is_new(outcome: GatherOutcome) -> str:
    words = {
        How.HARD_LINK: "hard links",
        How.SYMBOLIC_LINK: "symbolic links",
        How.COPY: f"copies, {_read_back(outcome)}",
    }
    new = [f"{outcome.count(how):,} {text}" for how, text in words.items() if outcome.count(how)]
    before = outcome.count(How.THERE_BEFORE, How.LINKED_BEFORE)
    if outcome.dry_run:
        planned = f"{counted(outcome.count(How.PLANNED), 'frame')}, {size_told(outcome.planned_bytes)}"
        return f"Nothing was written. Would be new: {planned}. There already: {before:,}."
    return f"New: {'; '.join(new) or 'nothing'}. There before: {before:,}."


def _read_back(outcome: GatherOutcome) -> str:
    if outcome.read_back is ReadBack.MEDIUM:
        return "read back from the medium, and equal"
    return "compared, but perhaps from memory"
