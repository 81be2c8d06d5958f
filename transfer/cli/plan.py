"""`nightferry plan`: what `send` would do."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import Any

import click
import humanize

from transfer.cli.options import (
    all_findings_option,
    as_request,
    config_option,
    ends_with_exit_code,
    json_option,
    print_json,
    records_folder,
    say,
    scope_options,
    the_config,
)
from transfer.cli.screen import screen_of
from transfer.cli.telling import fitted, worth_a_look
from transfer.config import Config
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.jobs.send.outcome import told_left_behind
from transfer.jobs.send.pace import Pace, RestsOn
from transfer.jobs.send.preview import PlannedDrive, PlanOutcome, preview
from transfer.jobs.send.ready import SendRequest
from transfer.stop import Stop
from transfer.words import size_told


@click.command("plan")
@config_option
@json_option
@all_findings_option
@click.option("--logs", is_flag=True, help="Try the descriptions of logs on tonight's files instead.")
@scope_options
@ends_with_exit_code("plan")
def command(
    config_file: str | None,
    as_json: bool,
    logs: bool,
    all_findings: bool,
    **scope: Any,
) -> int:
    """Say what `send` would carry, whether it fits, how long it takes, and what looks wrong.

    Nothing is written to a drive. Run it by day: what it finds is what would spoil the night's end.
    With --logs: the first readings that each [[source.logs]] finds, or the first line that does not fit it.
    """
    config = the_config(config_file)
    around = Surroundings(this_computer(), Records(records_folder(config)), Stop())
    request = as_request(**scope)
    if logs:
        return _try_logs(config, request, around, as_json)
    outcome = preview(config, request, around)
    if as_json:
        print_json(outcome.as_json())
    else:
        say("\n".join(fitted(_lines(outcome, all_findings), screen_of(sys.stdout).width)))
    return int(outcome.exit_code)


def _try_logs(config: Config, request: SendRequest, around: Surroundings, as_json: bool) -> int:
    from transfer.cli.trying_logs import trial_lines
    from transfer.jobs.send.log_trial import try_logs  # reading logs loads what no plan needs

    trial = try_logs(config, request, around)
    if as_json:
        print_json(trial.as_json())
    else:
        screen = screen_of(sys.stdout)
        say("\n".join(fitted(map(screen.clean, trial_lines(trial)), screen.width)))
    return int(trial.exit_code)


def _lines(outcome: PlanOutcome, each_finding: bool) -> Iterator[str]:
    yield outcome.message
    for night in outcome.nights:
        where = f" on {night.drive!r}" if night.drive else ""
        yield f"The night of {night.night}{where}"
        yield f"  belong there    {_files(night.files)}  {size_told(night.size_bytes):>10}"
        yield f"  to carry        {_files(night.carry)}  {size_told(night.carry_bytes):>10}"
        if night.waiting:
            yield f"  to read back    {_files(night.waiting)} that an earlier run left unproven"
    for drive in outcome.drives:
        yield from _drive(drive)
    for each in outcome.going:
        size = size_told(each.size_bytes)
        yield f"To make room, the night of {each.night} ({size}) would be let go from {each.drive.name!r}."
    for name in outcome.absent if outcome.drives else ():
        yield f"The drive {name!r} is not there; the others are sent to."
    if outcome.left_behind:
        yield told_left_behind(outcome.left_behind)
    yield from _wrong(outcome, each_finding)


def _files(count: int) -> str:
    return f"{count:>7,} {'file ' if count == 1 else 'files'}"


def _drive(drive: PlannedDrive) -> Iterator[str]:
    took = humanize.precisedelta(int(drive.takes_s) or 1, minimum_unit="seconds", format="%d")
    yield f"The drive {drive.name!r} at {drive.root}"
    yield f"  free            {size_told(drive.free_bytes)}"
    yield f"  takes about     {took} ({_rests_on(drive.pace)})"


def _rests_on(pace: Pace) -> str:
    match pace.rests_on:
        case RestsOn.SENDS if pace.sends == 1:
            return "by the last send to it"
        case RestsOn.SENDS:
            return f"by the last {pace.sends} sends to it"
        case RestsOn.PREPARE:
            return "by what prepare measured"
    return "a guess: this drive was never measured"


def _wrong(outcome: PlanOutcome, each_finding: bool) -> Iterator[str]:
    for problem in outcome.problems:
        yield f"In the way: {problem}"
    yield from worth_a_look(outcome.findings, each=each_finding)
