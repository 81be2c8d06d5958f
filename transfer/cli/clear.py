"""`nightferry clear`: what may be deleted from the sources, or from drives, and its deletion."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from pathlib import Path

import click

from transfer.archive.freeing import DriveNight
from transfer.cli.options import (
    all_findings_option,
    config_option,
    ends_with_exit_code,
    json_option,
    print_json,
    records_folder,
    say,
    the_config,
)
from transfer.cli.progress import Progress
from transfer.cli.screen import screen_of
from transfer.cli.signals import stop_on_signals
from transfer.cli.tables import Column, Narrow, table
from transfer.cli.telling import fitted, worth_a_look
from transfer.config import Config
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.reread import Stays
from transfer.engine.surroundings import Surroundings
from transfer.jobs.clear.drives import ClearDriveRun, ready_to_clear_drives
from transfer.jobs.clear.outcome import ClearDriveOutcome, ClearOutcome, not_deleted, told
from transfer.jobs.clear.plan import ClearNight
from transfer.jobs.clear.run import ClearRun, ready_to_clear
from transfer.stop import Stop
from transfer.words import counted, size_told

_NOTHING = {"nights": [], "deleted": 0, "deleted_bytes": 0}


_DRIVE_COLUMNS = (
    Column("night"),
    Column("drive", narrow=Narrow.LOSES_ITS_END),
    Column("files", right=True),
    Column("size", right=True),
    Column(""),
    Column("why it stays", narrow=Narrow.WRAPS, least=24),
)


def _columns(goes: str, frees: str) -> tuple[Column, ...]:
    return (
        Column("night"),
        Column("files", right=True),
        Column(goes, right=True),
        Column(frees, right=True),
        Column("stay", right=True),
        Column("why", narrow=Narrow.WRAPS, least=24),
    )


_Outcome = ClearOutcome | ClearDriveOutcome
# Opens a run: whether it is to hold the drives, and whether unsigned acknowledgements count.
_Ready = Callable[[bool, bool], AbstractContextManager[ClearRun | ClearDriveRun]]


@click.command("clear")
@click.option("--delete", is_flag=True, help="Delete what may go, each file hashed again before.")
@click.option(
    "--drive",
    is_flag=False,
    flag_value="",
    default=None,
    metavar="[PATH]",
    help="Nights on the drive at PATH, or on those that are here, instead of the sources.",
)
@all_findings_option
@config_option
@json_option
@ends_with_exit_code("clear", _NOTHING)
def command(
    delete: bool, drive: str | None, all_findings: bool, config_file: str | None, as_json: bool
) -> int:
    """List what may be deleted from the sources, night by night: what is proven in enough other places.

    Archives count by the acknowledgements that drives have brought home, or, where the archive is here, by
    what it has; drives while they are here and hold it. [clear] says how many places are enough. With
    --delete each file is hashed again, compared, written to a ledger, and then deleted. Deleted files
    cannot be brought back on this computer. Without a terminal, --delete asks nothing.

    With --drive: nights on drives that an archive has acknowledged, and that enough other places have; what
    a source still has counts as one. The newest [clear] keep_nights of each drive stay.
    """
    config, stop = the_config(config_file), Stop()
    stop_on_signals(stop)
    asks = not as_json and _has_terminal()
    with Progress(shown=not as_json) as progress:
        around = Surroundings(this_computer(), Records(records_folder(config)), stop, progress)
        outcome = _clear(_ready(config, around, drive), records_folder(config), delete=delete, asks=asks)
    if as_json:
        print_json(outcome.as_json())
    else:
        _report(outcome, all_findings, drive)
    return int(outcome.exit_code)


def _ready(config: Config, around: Surroundings, drive: str | None) -> _Ready:
    """Return what opens a run: for the sources, or, with `drive`, for the drive there, or for all."""
    if drive is None:
        return lambda hold, believe: ready_to_clear(config, around, hold=hold, believe_unsigned=believe)
    path = Path(drive) if drive else None
    return lambda hold, believe: ready_to_clear_drives(
        config, around, path, hold=hold, believe_unsigned=believe
    )


def _has_terminal() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def _clear(ready: _Ready, records: Path, *, delete: bool, asks: bool) -> _Outcome:
    believe = False
    if delete and asks:
        with ready(False, False) as run:
            believe = bool(run.unsigned) and _believes(run.unsigned)
    with ready(delete, believe) as run:
        if not delete or not run.outcome.may_go:
            return run.outcome
        _caution(run.outcome)
        if asks and not click.confirm("Delete them?", err=True):
            return run.outcome
        return run.delete(records)


def _believes(archives: Sequence[str]) -> bool:
    """Ask a person whether unsigned acknowledgements count: anybody may have written them."""
    named = ", ".join(archives)
    _warn(
        f"Acknowledgements of {named} are not signed with this computer's key: whoever had the drive in hand "
        "may have written them. Filing the drive again signs them."
    )
    return click.confirm("Believe them this once?", err=True)


def _caution(outcome: _Outcome) -> None:
    if isinstance(outcome, ClearDriveOutcome):
        drives = " and ".join(dict.fromkeys(repr(night.drive.name) for night in outcome.going))
        what = f"{told(outcome.going)} from {drives}"
    else:
        nights = sum(bool(night.may_go) for night in outcome.nights)
        files = f"{counted(outcome.may_go, 'file')} ({size_told(outcome.may_go_bytes)})"
        what = f"{files} of {counted(nights, 'night')} from this computer"
    _warn(
        f"About to delete {what}.",
        "THIS CANNOT BE UNDONE. Each file is hashed again first; one that is not what was proven stays.",
    )


def _warn(*lines: str) -> None:
    screen = screen_of(sys.stderr)
    say("\n".join(fitted(map(screen.clean, lines), screen.width)), err=True)


def _report(outcome: _Outcome, each_finding: bool, drive: str | None) -> None:
    screen = screen_of(sys.stdout)
    lines = [outcome.message]
    if isinstance(outcome, ClearDriveOutcome):
        rows = (row for night in outcome.nights for row in _drive_rows(night, outcome))
        lines += table(_DRIVE_COLUMNS, rows, screen)
    else:
        columns = _columns("may go", "frees") if outcome.is_list else _columns("deleted", "freed")
        lines += table(columns, (row for night in outcome.nights for row in _rows(night, outcome)), screen)
    lines += fitted(map(screen.clean, _rest(outcome, each_finding, drive)), screen.width)
    say("\n".join(lines))


def _rows(night: ClearNight, outcome: ClearOutcome) -> Iterator[tuple[str | None, ...]]:
    """Return the lines of a night: one, and below it another for each further reason that files stay for."""
    went = night.may_go if outcome.is_list else outcome.removed_of(night)
    stays = night.stays if outcome.is_list else (*night.stays, *outcome.kept_of(night))
    first, *others = _reasons(stays) or [None]
    yield (
        night.night.isoformat(),
        f"{night.files:,}",
        f"{len(went):,}",
        size_told(sum(each.file.size_bytes for each in went)) if went else None,
        f"{night.files - len(went):,}",
        first,
    )
    for why in others:
        yield "", "", "", "", "", why


def _drive_rows(night: DriveNight, outcome: ClearDriveOutcome) -> Iterator[tuple[str | None, ...]]:
    """Return the lines of a night on a drive: one, and another for each further reason that it stays for."""
    first, *others = _reasons([*night.stays, *outcome.kept_of(night)]) or [None]
    yield (
        night.night.isoformat(),
        night.drive.name,
        f"{night.file_count:,}",
        size_told(night.size_bytes),
        outcome.state_of(night),
        first,
    )
    for why in others:
        yield "", "", "", "", "", why


def _reasons(stays: Sequence[Stays]) -> list[str | None]:
    """Return each reason once, with the number of files it is for; the most frequent first."""
    reasons = Counter(each.why for each in stays).most_common()
    return [why if count == len(stays) else f"{count:,}: {why}" for why, count in reasons]


def _rest(outcome: _Outcome, each_finding: bool, drive: str | None) -> Iterator[str]:
    yield from worth_a_look(not_deleted(outcome.kept), each=each_finding, before="Stayed after all: ")
    yield from worth_a_look(outcome.findings, each=each_finding)
    if outcome.is_list and outcome.may_go:
        where = "" if drive is None else f' --drive "{drive}"' if drive else " --drive"
        yield f"Nothing was deleted. To delete what may go, for good: nightferry clear{where} --delete"
