"""`nightferry gather`: lay out a target's lights and the calibration frames that fit them."""

from __future__ import annotations

import shutil
import signal
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import click

from manifests.bags.paths import shown
from transfer.cli.options import config_option, ends_with_exit_code, json_option, print_json, the_config
from transfer.cli.progress import Progress
from transfer.engine.medium import ReadBack, this_computer
from transfer.jobs.gathering.gather import Gathering
from transfer.jobs.gathering.outcome import GatherOutcome, How
from transfer.jobs.gathering.report import report, wrapped
from transfer.jobs.gathering.request import GatherRequest, Means
from transfer.stop import Stop

_NIGHT = click.DateTime(formats=["%Y-%m-%d"])
_NOTHING: dict[str, object] = {
    "target": None,
    "targets": [],
    "folder": None,
    "matches": [],
    "missing": [],
    "laid_out": [],
}
_FINDINGS_SHOWN = 20
_WIDEST = 120


@click.command("gather")
@click.argument("target")
@click.option(
    "--into", "folder", required=True, type=click.Path(path_type=Path), metavar="FOLDER", help="Where to."
)
@click.option(
    "--filter",
    "filters",
    multiple=True,
    metavar="NAME",
    help="Only this filter, in any spelling.",
)
@click.option("--night", "nights", multiple=True, type=_NIGHT, metavar="DATE", help="The night of DATE.")
@click.option("--since", type=_NIGHT, metavar="DATE", help="Every night from DATE on.")
@click.option("--copy", "means", flag_value=Means.COPY.value, help="Lay out copies, proven, not links.")
@click.option("--symbolic", "means", flag_value=Means.SYMBOLIC_LINK.value, help="Lay out symbolic links.")
@config_option
@json_option
@ends_with_exit_code("gather", _NOTHING)
def command(
    target: str,
    folder: Path,
    filters: tuple[str, ...],
    nights: tuple[datetime, ...],
    since: datetime | None,
    means: str | None,
    config_file: str | None,
    as_json: bool,
) -> int:
    """Lay out the lights of TARGET, and the calibration frames that fit them, in a folder for processing.

    TARGET may be spelled in any way; a target's panels come together unless one is named. Without options
    all its lights, as hard links, or as copies where the folder is on another disk. The archive is only
    read. Run it again to add what is new: nothing in the folder is overwritten, and a frame that you have
    put elsewhere in it stays there.
    """
    request = GatherRequest(
        target,
        folder.absolute(),
        filters,
        frozenset(night.date() for night in nights),
        None if since is None else since.date(),
        Means.HARD_LINK if means is None else Means(means),
    )
    stop = Stop()
    signal.signal(signal.SIGINT, lambda *_: stop.ask("interrupted"))
    with Progress(shown=not as_json) as progress:
        outcome = Gathering(the_config(config_file), request, this_computer(), stop, progress).run()
    if as_json:
        print_json(outcome.as_json())
    else:
        width = min(shutil.get_terminal_size().columns, _WIDEST)
        click.echo("\n".join((*_head(outcome, target, width), *report(outcome, width, _FINDINGS_SHOWN))))
    return int(outcome.exit_code)


def _head(outcome: GatherOutcome, written: str, width: int) -> Iterator[str]:
    yield from wrapped(outcome.message, width)
    if outcome.how_named:
        yield from wrapped(f'"{shown(written)}" is {outcome.target} ({outcome.how_named}).', width)
    yield from wrapped(_what_is_new(outcome), width)
    yield from wrapped(f"Tables of what follows: {', '.join(outcome.tables)}", width)
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
    return f"New: {'; '.join(new) or 'nothing'}. There before: {before:,}."


def _read_back(outcome: GatherOutcome) -> str:
    if outcome.read_back is ReadBack.MEDIUM:
        return "read back from the medium, and equal"
    return "compared, but perhaps from memory"
