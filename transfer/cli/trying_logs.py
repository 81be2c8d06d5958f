"""What came of trying the descriptions of logs, for `nightferry plan --logs`."""

from __future__ import annotations

from collections.abc import Iterator

from manifests.bags.paths import shown
from manifests.readings.description import Form
from manifests.readings.units import unit_shown
from transfer.jobs.send.log_trial import LogTrial, TriedDescription, TriedFile
from transfer.words import counted

# Of one description; those that do not fit are all shown.
_SHOWN = 2


def trial_lines(trial: LogTrial) -> Iterator[str]:
    """Return the lines of a trial."""
    yield trial.message
    for tried in trial.tried:
        yield from _description(tried)


def _description(tried: TriedDescription) -> Iterator[str]:
    what = f"{tried.source}: {tried.description.files} ({tried.description.form.value})"
    if not tried.matched:
        yield f"{what}: no file of these nights matches this pattern"
        return
    more = tried.matched - len(tried.files)
    yield f"{what}: {counted(tried.matched, 'file')}{f', {more} older ones not tried' if more else ''}"
    shown_files = [file for at, file in enumerate(tried.files) if at < _SHOWN or not file.fits]
    for file in shown_files:
        yield from _file(file, "record" if tried.description.form is Form.JSON else "line")
    fitting = len(tried.files) - len(shown_files)
    if fitting:
        yield f"  and {counted(fitting, 'file')} more that fit: --json lists all"


def _file(file: TriedFile, unit: str) -> Iterator[str]:
    account = file.account
    given = [counted(account.readings, "reading")] if account.readings or not file.events else []
    given += [f"{event} × {count}" for event, count in file.events.items()]
    yield f"  {shown(file.path)}: {', '.join(given)} in {counted(account.lines, unit)}"
    width = max((len(one.quantity) for one in file.first_readings), default=0)
    for one in file.first_readings:
        value = f"{one.value:g} {unit_shown(one.unit)}".rstrip()
        yield f"    {one.quantity:<{width}}  {one.utc:%Y-%m-%d %H:%M:%S}Z  {value}"
    for problem in file.problems:
        yield f"    Wrong: {shown(problem)}"
    if account.first_unmatched is not None:
        line, text, why = account.first_unmatched
        told = f": {shown(text)!r}" if text else ""
        how_many = f"1 {unit} does" if account.unmatched == 1 else f"{account.unmatched:,} {unit}s do"
        yield f"    {how_many} not fit, the first is {unit} {line} ({shown(why)}){told}"
    if account.jumps:
        times = "once" if account.jumps == 1 else f"{account.jumps} times"
        yield f"    The clock goes back {times}, first in line {account.first_jump_line}"
