"""`nightferry check`: prove bags again."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from manifests.bags.paths import shown
from manifests.bags.verify import Verification
from transfer.archive.rereading import archive_around
from transfer.cli.archives import archive_named
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
    user_folder,
)
from transfer.cli.progress import Progress
from transfer.cli.screen import columns_of, screen_of
from transfer.cli.telling import fitted, worth_a_look
from transfer.config import parse_duration_s
from transfer.engine.drive import drives_to_use
from transfer.engine.medium import ReadBack, this_computer
from transfer.engine.records import Records
from transfer.engine.resting import let_rest
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, NotThere
from transfer.jobs.check.outcome import CheckedBag, CheckOutcome
from transfer.jobs.check.run import Asked, checked, remember_checked
from transfer.stop import Stop
from transfer.words import in_quotes, size_told

if TYPE_CHECKING:
    from transfer.config import Config

_WHOLE = 1 << 16  # a path is not cut short
_INDENT = 14


@click.command("check")
@config_option
@click.argument("paths", nargs=-1, metavar="[PATH or ARCHIVE]...", type=WRITTEN_PATH)
@click.option("--quick", is_flag=True, help="Compare presence, size and time only; read no file.")
@click.option(
    "--older-than",
    "older_than",
    metavar="TIME",
    help="Of archives: only files last proven longer ago than this (90d), the longest unproven first.",
)
@click.option("--for", "time_limit", metavar="TIME", help="End in order after this time (30m).")
@all_findings_option
@json_option
@ends_with_exit_code("check")
def command(
    config_file: str | None,
    paths: tuple[Path, ...],
    quick: bool,
    older_than: str | None,
    time_limit: str | None,
    all_findings: bool,
    as_json: bool,
) -> int:
    """Prove every bag found at or below each PATH again.

    A bag is a folder in the form of RFC 8493 (BagIt), whoever made it. Without a PATH: the drives that
    the configuration names, wherever they are mounted; with --older-than, its archives. With one, no
    configuration is needed. An archive may be named as the configuration does: what was read of it, and
    when, is written into its bags; elsewhere nothing is written.
    """
    asked = Asked(quick, _seconds("--older-than", older_than), _seconds("--for", time_limit))
    if quick and (asked.older_than_s or asked.time_s):
        raise ConfigurationError("--quick reads nothing: leave out --older-than and --for")
    stop = Stop()
    signal.signal(signal.SIGINT, lambda *_: stop.ask("interrupted"))
    config = None if paths and config_file is None else the_config(config_file)
    known = config or _configuration_here()
    absent: list[str] = []
    with Progress(shown=not as_json) as progress:
        records = Records(user_folder() / "records" if known is None else records_folder(known))
        around = Surroundings(this_computer(), records, stop, progress)
        if not paths and config is not None:
            paths, absent = _drives(config, around) if asked.older_than_s is None else _archives(config)
        paths = tuple(path_meant(known, path) for path in paths)
        outcome = checked(paths, asked, around)
        if known is not None and not quick:
            remember_checked(outcome, records)  # which reads the marks of drives
        let_rest(paths)
    step = _next_step(outcome, known)
    if as_json:
        print_json({**outcome.as_json(), "drives_absent": absent, "next_step": step})
    else:
        screen = screen_of(sys.stdout)
        not_here = [screen.clean(f"Not here, and not checked: {name!r}.") for name in absent]
        told = [*_lines(outcome, all_findings, screen.width), *fitted(not_here, screen.width)]
        say("\n".join([*told, *_steps(step, screen.width)]))
    return int(outcome.exit_code)


def _seconds(option: str, written: str | None) -> float | None:
    try:
        return None if written is None else parse_duration_s(written)
    except ValueError as error:
        raise ConfigurationError(
            f"{option} {written!r} is not a time with its unit, as 90d or 30m"
        ) from error


def path_meant(config: Config | None, path: Path) -> Path:
    """Return a path that a person gave; what is not there may be the name of an archive."""
    named = None if config is None or path.exists() else archive_named(config, path)
    return path.absolute() if named is None else named.folder


def _archives(config: Config) -> tuple[tuple[Path, ...], list[str]]:
    """Return where the configuration's archives are, and the names of those that are not here."""
    if not config.archives:
        raise ConfigurationError("The configuration names no archive", config.file, "Name its folder.")
    here = [archive for archive in config.archives if archive_around(archive.folder) is not None]
    if not here:
        raise NotThere("None of the archives is here", config.archives[0].folder, "Connect its disk.")
    return tuple(each.folder for each in here), [each.label for each in config.archives if each not in here]


def _next_step(outcome: CheckOutcome, config: Config | None) -> str:
    """Return the commands that make an archive right again; empty where there are none."""
    return "\n".join(filter(None, (_healing(outcome, config), _taking_out(outcome, config))))


def _steps(step: str, width: int | None) -> Iterator[str]:
    """Return what to do next; a command stays in one piece, to be copied, on a line of its own if need be."""
    for line in step.splitlines():
        why, colon, command = line.partition(": nightferry ")
        is_wide = width is not None and columns_of(line) > width
        if is_wide and colon:
            yield from fitted([f"{why}:"], width)
            yield f"    nightferry {command}"
        elif is_wide and not line.startswith(" "):
            yield from fitted([line], width)
        else:
            yield line


def _taking_out(outcome: CheckOutcome, config: Config | None) -> str:
    """Return the command for files of an archive that a person deleted or moved; empty without any."""
    missing: dict[Path, list[Path]] = {}
    for bag in outcome.bags:
        told = bag.verification
        if told.missing and (root := archive_around(told.path)) is not None:
            missing.setdefault(root, []).extend(told.path / finding.path for finding in told.missing)
    if not missing:
        return ""
    root, paths = next(iter(missing.items()))
    known = config is not None and any(archive.folder == root for archive in config.archives)
    which = "" if known else f" --archive {in_quotes(str(root))}"
    below = paths[0] if len(paths) == 1 else os.path.commonpath(paths)
    gone = in_quotes(shown(str(below), _WHOLE))
    return f"What you deleted or moved yourself: nightferry amend --gone{which} {gone}"


def _healing(outcome: CheckOutcome, config: Config | None) -> str:
    """Return the command that heals what was found damaged in an archive, where another one is known."""
    if config is None or len(config.archives) < 2:
        return ""
    harmed = _harmed(outcome)
    for archive in config.archives:
        wrong = harmed.get(archive.folder)
        if not wrong:
            continue
        holds = (one for one in config.archives if one is not archive)
        other = next((one for one in holds if wrong - harmed.get(one.folder, set())), None)
        if other is not None:
            names = f"{in_quotes(archive.label)} --from {in_quotes(other.label)}"
            return f"To write it again from a copy that holds:\n    nightferry heal {names}"
        return (
            "The other archives are harmed in the same files. Where a drive still has the night:\n"
            f"    nightferry heal {in_quotes(archive.label)} --from DRIVE"
        )
    return ""


def _harmed(outcome: CheckOutcome) -> dict[Path, set[Path]]:
    """Return which files were found damaged or missing in each archive, by their paths below it."""
    harmed: dict[Path, set[Path]] = {}
    for bag in outcome.bags:
        told = bag.verification
        wrong = [*told.changed, *told.missing, *told.unreadable]
        root = archive_around(told.path) if wrong else None
        if root is not None:
            paths = (told.path.relative_to(root) / finding.path for finding in wrong)
            harmed.setdefault(root, set()).update(paths)
    return harmed


def _configuration_here() -> Config | None:
    """Return the configuration of this computer; None where there is none, or none that can be used."""
    try:
        return any_config(None)
    except ConfigurationError:
        return None


def _drives(config: Config, around: Surroundings) -> tuple[tuple[Path, ...], list[str]]:
    """Return where the configuration's drives are, and the names of those that are not there."""
    found, absent = drives_to_use(config.drives, (), around.medium, around.listen)
    return tuple(drive.root for drive in found), absent


def _lines(outcome: CheckOutcome, each_finding: bool, width: int | None) -> Iterator[str]:
    yield from fitted([outcome.message], width)
    for bag in outcome.bags:
        yield from _bag(bag, each_finding, width)
    yield from fitted(worth_a_look(outcome.findings, each=each_finding, before=""), width)
    for path in outcome.being_let_go:
        what = "is being let go: to go on, nightferry clear --drive --delete"
        yield from _beside_path("", path, " ", what, width)
    if outcome.quick:
        yield from fitted(["A quick check proves nothing: leave out --quick to have every byte read."], width)


def _beside_path(before: str, path: Path, gap: str, what: str, width: int | None) -> Iterator[str]:
    """Return a line about a path, which stays in one piece, to be copied; the rest goes below if need be."""
    where = f"{before}{shown(str(path), _WHOLE)}"
    if width is None or columns_of(f"{where}{gap}{what}") <= width:
        yield f"{where}{gap}{what}"
    else:
        yield where
        yield from fitted([f"{'':<{_INDENT}}{what}"], width)


def _bag(bag: CheckedBag, each_finding: bool, width: int | None) -> Iterator[str]:
    verification = bag.verification
    state = _state(verification)
    size = size_told(verification.bytes_verified)
    count = (
        f"{verification.agreed} look right"
        if verification.quick
        else f"{verification.verified} {_word(bag)}, {size}"
    )
    what = f"({count}{_read_back(bag)})"
    yield from _beside_path(f"{state:<{_INDENT}}", verification.path, "  ", what, width)
    if bag.evidence is not None and bag.evidence.remedy:
        how = "    To have it read from the medium, let this user read this device, and no other:"
        yield from fitted([how], width)
        yield f"    {bag.evidence.remedy}"
    yield from fitted(worth_a_look(verification.findings, each=each_finding, before="    "), width)


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
