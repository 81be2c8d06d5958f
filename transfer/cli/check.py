"""`nightferry check`: prove bags again."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from manifests.bags.paths import shown
from manifests.bags.verify import Verification
from transfer.cli.options import (
    WRITTEN_PATH,
    all_findings_option,
    any_config,
    config_option,
    ends_with_exit_code,
    json_option,
    print_json,
    records_folder,
    say,
    the_config,
)
from transfer.cli.progress import Progress
from transfer.cli.telling import worth_a_look
from transfer.engine.bag.cold_reading import ColdReader
from transfer.engine.drive import drives_to_use
from transfer.engine.medium import Medium, ReadBack, this_computer
from transfer.engine.records import Records
from transfer.engine.resting import let_rest
from transfer.errors import ConfigurationError
from transfer.events import Listener
from transfer.jobs.check import CheckedBag, CheckOutcome, check, remember_checked
from transfer.stop import Stop
from transfer.words import size_told

if TYPE_CHECKING:
    from transfer.config import Config

_WHOLE = 1 << 16  # a path is not cut short


@click.command("check")
@config_option
@click.argument("paths", nargs=-1, metavar="[PATH]...", type=WRITTEN_PATH)
@click.option("--quick", is_flag=True, help="Compare presence, size and time only; read no file.")
@all_findings_option
@json_option
@ends_with_exit_code("check")
def command(
    config_file: str | None, paths: tuple[Path, ...], quick: bool, all_findings: bool, as_json: bool
) -> int:
    """Prove every bag found at or below each PATH again. Nothing is written.

    A bag is a folder in the form of RFC 8493 (BagIt), whoever made it. Without a PATH: the drives that
    the configuration names, wherever they are mounted. With one, no configuration is needed.
    """
    stop, medium = Stop(), this_computer()
    signal.signal(signal.SIGINT, lambda *_: stop.ask("interrupted"))
    config = None if paths and config_file is None else the_config(config_file)
    absent: list[str] = []
    with Progress(shown=not as_json) as progress:
        if not paths and config is not None:
            paths, absent = _drives(config, medium, progress)
        outcome = check(
            [path.absolute() for path in paths],
            quick=quick,
            reader=lambda folder: ColdReader(medium, folder),
            listen=progress,
            go_on=lambda: not stop.why,
        )
        known = config or _configuration_here()
        if known is not None and not quick:
            remember_checked(outcome, Records(records_folder(known)))  # which reads the marks of drives
        let_rest(paths)
    if as_json:
        print_json({**outcome.as_json(), "drives_absent": absent})
    else:
        say(
            "\n".join(
                [
                    *_lines(outcome, all_findings),
                    *(f"Not here, and not checked: {name!r}." for name in absent),
                ]
            )
        )
    return int(outcome.exit_code)


def _configuration_here() -> Config | None:
    """Return the configuration of this computer; None where there is none, or none that can be used."""
    try:
        return any_config(None)
    except ConfigurationError:
        return None


def _drives(config: Config, medium: Medium, listen: Listener) -> tuple[tuple[Path, ...], list[str]]:
    """Return where the configuration's drives are, and the names of those that are not there."""
    found, absent = drives_to_use(config.drives, (), medium, listen)
    return tuple(drive.root for drive in found), absent


def _lines(outcome: CheckOutcome, each_finding: bool) -> Iterator[str]:
    yield outcome.message
    for bag in outcome.bags:
        yield from _bag(bag, each_finding)
    yield from worth_a_look(outcome.findings, each=each_finding, before="")
    for path in outcome.being_let_go:
        yield f"{shown(str(path), _WHOLE)} is being let go: to go on, nightferry clear --drive --delete"
    if outcome.quick:
        yield "A quick check proves nothing: leave out --quick to have every byte read."


def _bag(bag: CheckedBag, each_finding: bool) -> Iterator[str]:
    verification = bag.verification
    state = _state(verification)
    size = size_told(verification.bytes_verified)
    count = (
        f"{verification.agreed} look right"
        if verification.quick
        else f"{verification.verified} {_word(bag)}, {size}"
    )
    yield f"{state:<14}{shown(str(verification.path), _WHOLE)}  ({count}{_read_back(bag)})"
    if bag.evidence is not None and bag.evidence.remedy:
        yield "    To have it read from the medium, let this user read this device, and no other:"
        yield f"    {bag.evidence.remedy}"
    yield from worth_a_look(verification.findings, each=each_finding, before="    ")


def _state(verification: Verification) -> str:
    if verification.holds:
        return "holds"
    if len(verification.unfinished) == len(verification.findings):
        return "NOT FINISHED" if verification.complete else "STOPPED"
    return "DOES NOT HOLD"


def _word(bag: CheckedBag) -> str:
    return "compared" if bag.evidence is not None and not bag.from_medium else "proven"


def _read_back(bag: CheckedBag) -> str:
    if bag.evidence is None:
        return ""
    if bag.evidence.read_back is ReadBack.MEDIUM:
        return ", read from the medium"
    return f", perhaps from memory: {bag.evidence.method}"
