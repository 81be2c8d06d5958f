"""`nightferry page`: the archive as pages for a browser."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import click

from transfer.archive.nights_told import place_of
from transfer.archive.questions import browsed
from transfer.cli.archives import archive_options, chosen_archive
from transfer.cli.options import WRITTEN_PATH, any_config, ends_with_exit_code, print_json, records_folder
from transfer.cli.progress import Progress
from transfer.cli.screen import screen_of
from transfer.cli.signals import stop_on_signals
from transfer.cli.telling import NoteWriter, fitted, until_the_reader_goes, write_lines
from transfer.config import Config
from transfer.config.longitude import longitude_of
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.resting import let_rest
from transfer.engine.surroundings import Surroundings
from transfer.errors import NightferryError
from transfer.jobs.copies import copies
from transfer.page.attention import Alone
from transfer.page.building import PageRequest
from transfer.page.run import PageOutcome, make_page
from transfer.stop import Stop

_NOTHING: dict[str, object] = {
    "page": None,
    "pages": 0,
    "thumbnails_made": 0,
    "thumbnails_kept": 0,
    "frames": 0,
}


@click.command("page")
@click.option(
    "--out",
    "out",
    type=WRITTEN_PATH,
    metavar="FOLDER",
    help="Where to write it. Default: nightferry-page, beside the archive's index.",
)
@archive_options
@ends_with_exit_code("page", _NOTHING)
def command(config_file: str | None, archive_folder: Path | None, as_json: bool, out: Path | None) -> int:
    """Write the archive as pages for a browser: targets, nights, frames with thumbnails, what needs a look.

    The pages need no server and no network: open index.html from the disk, or from a shared folder. A
    thumbnail is made once for each light; run it again and it writes what has changed. No bag is written to.
    It needs nightferry's optional group page.
    """
    chosen, notes, stop = chosen_archive(config_file, archive_folder), NoteWriter(), Stop()
    config, now = any_config(config_file) or Config(Path("nightferry.toml")), datetime.now(UTC)
    place = place_of(config.site, longitude_of(config, now)[0])
    request = PageRequest(None if out is None else out.absolute(), config, chosen.own, place, now)
    request = replace(request, alone=_alone(config, chosen.root))
    stop_on_signals(stop)
    try:
        with until_the_reader_goes(), browsed(chosen.root, notes) as archive:
            with Progress(shown=not as_json) as progress:
                outcome = archive.ask(lambda _: make_page(archive, request, stop, progress))
            notes.say_findings(outcome.findings)
            if as_json:
                print_json(outcome.as_json() | {"notes": notes.said})
            else:
                write_lines(_lines(outcome))
    finally:
        let_rest([chosen.root, request.out or chosen.root])  # after the index is closed, whose files go then
    return int(outcome.exit_code)


def _alone(config: Config, root: Path) -> tuple[Alone, ...]:
    """Return what is in one place only, where this archive is one of the configuration's."""
    if root not in [archive.folder for archive in config.archives]:
        return ()
    try:
        around = Surroundings(this_computer(), Records(records_folder(config)), Stop())
        rows = copies(config, around).rows
    except NightferryError:
        return ()  # the page says what it can; `nightferry copies` says why this is not known
    return tuple(
        Alone(row.night, row.in_one_place, _only(place.name for place in row.places))
        for row in rows
        if row.in_one_place
    )


def _only(names: Iterable[str]) -> str:
    """Return the one name; where several places have some of the files, which has which is not said."""
    known = list(names)
    return known[0] if len(known) == 1 else "one place or another"


def _lines(outcome: PageOutcome) -> list[str]:
    screen = screen_of(sys.stdout)
    told = [outcome.message, f"Open {outcome.start}"]
    return list(fitted(map(screen.clean, told), screen.width))
