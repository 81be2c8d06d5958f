"""`nightferry heal`: write damaged files of an archive again from another one."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import click

from manifests.bags.bag_reading import is_bag
from transfer.archive.rereading import archive_around
from transfer.cli.archives import archive_meant
from transfer.cli.options import (
    WRITTEN_PATH,
    any_config,
    config_option,
    ends_with_exit_code,
    json_option,
    print_json,
    records_folder,
    say,
    user_folder,
)
from transfer.cli.progress import Progress
from transfer.cli.screen import screen_of
from transfer.cli.telling import worth_a_look
from transfer.config import Archive, Config
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError
from transfer.jobs.heal.outcome import HealedBag, HealOutcome
from transfer.jobs.heal.run import HealRequest, heal
from transfer.stop import Stop
from transfer.words import counted

_NOTHING = {"healed": 0, "not_healed": 0, "bags": []}
_FILES_SHOWN = 20


@click.command("heal")
@click.argument("archive", required=False, metavar="[ARCHIVE]", type=WRITTEN_PATH)
@click.option(
    "--from",
    "donor",
    required=True,
    metavar="NAME|FOLDER",
    type=WRITTEN_PATH,
    help="Where copies are: another archive, by its name or its folder, or a drive with nights on it.",
)
@config_option
@json_option
@ends_with_exit_code("heal", _NOTHING)
def command(archive: Path | None, donor: Path, config_file: str | None, as_json: bool) -> int:
    """Write damaged and missing files of an archive again, from copies that hold.

    ARCHIVE is a name of the configuration or a folder, else the configuration's first archive; one bag's
    folder stands for that bag alone. What `check` found, and what is missing or of another size, is healed:
    each bag with such files is read whole, no other. The damaged file is kept in the bag's
    nightferry/set-aside. A copy is compared with the bag's manifest while it is read; one that does not hold
    heals nothing.
    """
    config = any_config(config_file)
    stop = Stop()
    signal.signal(signal.SIGINT, lambda *_: stop.ask("interrupted"))
    request = _request(config, archive, donor)
    records = Records(user_folder() / "records" if config is None else records_folder(config))
    with Progress(shown=not as_json) as progress:
        outcome = heal(request, Surroundings(this_computer(), records, stop, progress))
    if as_json:
        print_json(outcome.as_json())
    else:
        screen = screen_of(sys.stdout)
        say("\n".join(screen.clean(line) for line in _lines(outcome)))
    return int(outcome.exit_code)


def _request(config: Config | None, written: Path | None, donor: Path) -> HealRequest:
    if written is None:
        if config is None or config.archive is None:
            raise ConfigurationError("No archive is named", "", "nightferry heal ARCHIVE --from OTHER")
        harmed, bag = config.archive, ""
    else:
        harmed, bag = _place(_meant(config, written))
    return HealRequest(harmed, _meant(config, donor), bag)


def _meant(config: Config | None, written: Path) -> Archive:
    return Archive(written.absolute()) if config is None else archive_meant(config, written)


def _place(meant: Archive) -> tuple[Archive, str]:
    """Return the archive and, for a folder within one, the bag that it is or lies in."""
    root = archive_around(meant.folder)
    if root is None or root == meant.folder:
        return meant, ""
    bag = next((each for each in (meant.folder, *meant.folder.parents) if is_bag(each)), None)
    if bag is None or root not in bag.parents:
        raise ConfigurationError("This is no bag of the archive", meant.folder, "Name the archive itself.")
    return Archive(root), bag.relative_to(root).as_posix()


def _lines(outcome: HealOutcome) -> Iterator[str]:
    yield outcome.message
    for bag in outcome.bags:
        yield from _bag(bag)
    yield from worth_a_look(outcome.findings, see="--json")
    if outcome.next_step:
        yield outcome.next_step


def _bag(bag: HealedBag) -> Iterator[str]:
    state = "holds" if bag.holds else "DOES NOT HOLD"
    yield f"{state:<14}{bag.path}  ({counted(bag.read, 'file')} read)"
    for each in bag.healed[:_FILES_SHOWN]:
        yield f"    written again: {each.path} ({each.wrong})"
        if each.set_aside:
            yield f"    what was there is kept as {each.set_aside}"
    if len(bag.healed) > _FILES_SHOWN:
        yield f"    and {len(bag.healed) - _FILES_SHOWN:,} files more: --json lists all"
    for left in bag.not_healed:
        yield f"    NOT HEALED: {left.path} ({left.why})" if left.path else f"    NOT HEALED: {left.why}"
    for path in bag.tag_files:
        yield f"    written again: {path}"
    if bag.lists_written:
        yield "    its lists were written again from its entries"
    yield from worth_a_look(bag.findings, before="    ")
