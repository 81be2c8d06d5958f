"""`nightferry send`: the end-of-night job."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import Any, NamedTuple

import click

from manifests.findings import FindingKind
from transfer.bounded import run_bounded
from transfer.cli.apart import run_apart
from transfer.cli.options import (
    all_findings_option,
    as_request,
    config_option,
    ends_with_exit_code,
    exit_code_of,
    json_option,
    print_json,
    records_folder,
    say,
    scope_options,
    the_config,
)
from transfer.cli.progress import Progress
from transfer.cli.screen import screen_of
from transfer.cli.signals import stop_on_signals
from transfer.cli.telling import fitted, worth_a_look
from transfer.config import Config, parse_duration_s
from transfer.engine.following import MeetingPlace
from transfer.engine.medium import ReadBack, this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, ExitCode
from transfer.jobs.send.glance import NOTHING_SENT, headlines, read_back, ways_out
from transfer.jobs.send.letting_go import let_go_of_drives
from transfer.jobs.send.outcome import SendOutcome
from transfer.jobs.send.ready import SendRequest
from transfer.jobs.send.receipt import receipt
from transfer.jobs.send.run import SendRun
from transfer.stop import Stop

_MOMENT_S = 1.0
NOTHING_SENT_KEYS = {
    "nights": [],
    "files_proven": 0,
    "files_unproven": None,
    "bytes_proven": 0,
    "safe_to_pull": False,
}


@click.command("send")
@config_option
@json_option
@scope_options
@all_findings_option
@click.option("--eject", is_flag=True, help="When all is proven, have the system let go of the drive.")
@click.option("--time-limit", metavar="TIME", help="End in order after TIME (such as 30m), proven or not.")
@click.option("--follow", is_flag=True, help="Carry each file while the night runs, then close the night.")
@click.option(
    "--until",
    metavar="TIME",
    help="With --follow: close the night at TIME (07:30, or 8h from now). Default: 2 h after sunrise.",
)
@click.option(
    "--rate",
    "rate_mb_s",
    type=click.FloatRange(min=0.1),
    metavar="MB/S",
    help="With --follow: read and write no faster than so many MB/s. Default: 8, and up to 32 while behind.",
)
@ends_with_exit_code("send", NOTHING_SENT_KEYS, refused=NOTHING_SENT)
def command(
    config_file: str | None,
    as_json: bool,
    time_limit: str | None,
    all_findings: bool,
    eject: bool,
    follow: bool,
    until: str | None,
    rate_mb_s: float | None,
    **scope: Any,
) -> int:
    """Carry the night to the drive and prove every copy.

    Without options: tonight, to the drives that the configuration names, wherever they are mounted.
    A night is named by the date of its evening. Where `send --follow` is at work, it is told to let go,
    and what it has not carried yet is carried.
    """
    config = the_config(config_file)
    limit_s = config.send.time_limit_s if time_limit is None else _limit_s(time_limit)
    request = as_request(**scope)

    def run() -> int:
        stop = Stop(limit_s)
        return _send(config, request, stop, _Shown(as_json, all_findings, eject, follow))

    def run_in_time() -> int:
        if limit_s is None:
            return run()
        return run_apart(lambda: exit_code_of("send", run, as_json, NOTHING_SENT_KEYS))

    if follow:
        from transfer.cli.following import follow_the_night  # which the step at dawn does without

        return follow_the_night(config, request, until, rate_mb_s, as_json, run_in_time)
    if until is not None or rate_mb_s is not None:
        raise ConfigurationError("--until and --rate go with --follow only")
    return run_in_time()


def _limit_s(written: str) -> float:
    try:
        return parse_duration_s(written)
    except ValueError as error:
        step = "Write a time with its unit, such as 30m, 1h30m or 90s."
        raise ConfigurationError(f"--time-limit {written!r} is no length of time", next_step=step) from error


class _Shown(NamedTuple):
    """What is asked of a run's end: how it is reported, and whether its drives are let go of."""

    as_json: bool
    all_findings: bool
    eject: bool
    closes_a_followed_night: bool = False


def _send(config: Config, request: SendRequest, stop: Stop, shown: _Shown) -> int:
    """Run the job, report what came of it, and return the exit code: that of the proof."""
    stop_on_signals(stop)
    records = Records(records_folder(config))
    medium = this_computer()
    place = MeetingPlace(records.folder, medium)
    with Progress(shown=not shown.as_json) as progress:
        around = Surroundings(medium, records, stop, progress)
        run_with = _closing if shown.closes_a_followed_night else take_over_and_run
        outcome, hangs, tells = run_with(place, around, lambda: SendRun(config, request, around))
    ejected = let_go_of_drives(outcome, medium) if shown.eject and not hangs else ()
    if shown.as_json:
        more = {"drives_ejected": [each.as_json() for each in ejected]} if shown.eject else {}
        print_json(outcome.as_json() | more)
    else:
        _report(outcome, shown.all_findings)
        for each in ejected:
            say(each.line, err=bool(each.why_not))
    if hangs:
        _report_hanging(outcome, records, shown.as_json)
    if tells:
        from transfer.engine.program import tell_and_wait  # which starts programs, and is slow to load

        tell_and_wait(config.follow.tell, f"Finished. {' '.join(headlines(outcome))}")
    return int(outcome.exit_code)


# An outcome, whether the run hangs, and whether it is the last of a night that was followed.
_Ended = tuple[SendOutcome, bool, bool]


def take_over_and_run(place: MeetingPlace, around: Surroundings, begin: Callable[[], SendRun]) -> _Ended:
    """Take over from a follower, if one is at work, and run the job."""
    stop = around.stop
    followed = place.take_over(stop, around.listen)
    run = begin()
    outcome, hangs = run_bounded(run.run, run.outcome, stop)
    # A follower may have begun since; and one that was just ended lets go of its drives a moment later.
    if outcome.exit_code is ExitCode.BUSY and (place.take_over(stop, around.listen) or followed):
        followed = True
        stop.pause(_MOMENT_S)
        run = begin()
        outcome, hangs = run_bounded(run.run, run.outcome, stop)
    return outcome, hangs, followed


def _closing(place: MeetingPlace, around: Surroundings, begin: Callable[[], SendRun]) -> _Ended:
    """Run the job as the last act of a follower, whose lock is held: a run that comes meanwhile waits."""
    with place.requests(around.stop):
        place.keep_state(place.state() | {"process": os.getpid()})
        run = begin()
        outcome, hangs = run_bounded(run.run, run.outcome, around.stop)
        return outcome, hangs, not place.is_asked_for()


def _report(outcome: SendOutcome, each_finding: bool) -> None:
    if outcome.nothing_new:
        told = [*headlines(outcome), outcome.message]
        if any(night.read_back is not ReadBack.MEDIUM for night in outcome.nights):
            told += [read_back(outcome.nights), *ways_out(outcome.nights)]
        told += worth_a_look(each for each in outcome.findings if each.kind is FindingKind.SAME_MARK)
        width = screen_of(sys.stdout).width
        for line in (*told, outcome.next_step, *outcome.passed_by()):
            # A line that starts indented is a command, to be copied as it is.
            say("\n".join(fitted([line], None if line.startswith(" ") else width)))
    elif not outcome.nights:
        told = [*headlines(outcome), f"nightferry send: {outcome.message} {outcome.next_step}"]
        told += [*outcome.room.lines, *([outcome.nights_passed_by()] if outcome.left_behind else [])]
        say("\n".join(fitted(told, screen_of(sys.stderr).width)), err=True)
    else:
        say(receipt(outcome, each_finding=each_finding).removesuffix("\n"))


def _report_hanging(outcome: SendOutcome, records: Records, as_json: bool) -> None:
    kept = records.keep_receipt(receipt(outcome), outcome.ended)
    if not as_json:
        where = f" A receipt is kept in {kept}." if kept is not None else ""
        say(f"The run ended without waiting for a drive that did not answer yet.{where}", err=True)
