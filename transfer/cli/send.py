"""`nightferry send`: the end-of-night job."""

from __future__ import annotations

import os
import signal
from datetime import datetime
from pathlib import Path

import click

from transfer.cli.apart import run_apart
from transfer.cli.options import (
    as_request,
    config_option,
    ends_with_exit_code,
    json_option,
    print_json,
    records_folder,
    scope_options,
    the_config,
)
from transfer.cli.progress import Progress
from transfer.config import Config, parse_duration_s
from transfer.engine.medium import this_computer
from transfer.errors import ConfigurationError
from transfer.jobs.bounded import run_bounded
from transfer.jobs.outcome import SendOutcome
from transfer.jobs.send import SendRequest, SendRun, Surroundings
from transfer.records import Records
from transfer.stop import Stop


@click.command("send")
@config_option
@json_option
@scope_options
@click.option("--time-limit", metavar="TIME", help="End in order after TIME (such as 30m), proven or not.")
@ends_with_exit_code("send")
def command(
    config_file: str | None,
    as_json: bool,
    drives: tuple[Path, ...],
    nights: tuple[datetime, ...],
    since: datetime | None,
    everything: bool,
    time_limit: str | None,
) -> int:
    """Carry the night to the drive and prove every copy.

    Without options: tonight, to the drives that the configuration names, wherever they are mounted.
    A night is named by the date of its evening.
    """
    config = the_config(config_file)
    limit_s = config.send.time_limit_s if time_limit is None else _limit_s(time_limit)
    request = as_request(drives, nights, since, everything)
    if limit_s is None:
        return _send(config, request, limit_s, as_json)
    return run_apart(lambda: _send(config, request, limit_s, as_json))


def _limit_s(written: str) -> float:
    try:
        return parse_duration_s(written)
    except ValueError as error:
        raise ConfigurationError(f"--time-limit {written!r}: {error}") from error


def _send(config: Config, request: SendRequest, limit_s: float | None, as_json: bool) -> int:
    stop = Stop(limit_s)
    _stop_on_signals(stop)
    records = Records(records_folder(config))
    with Progress(shown=not as_json) as progress:
        run = SendRun(config, request, Surroundings(this_computer(), records, stop, progress))
        outcome, hangs = run_bounded(run.run, run.outcome, stop)
    _tell(outcome, as_json)
    if hangs:
        _tell_hanging(outcome, records, as_json)
    return int(outcome.exit_code)


def _stop_on_signals(stop: Stop) -> None:
    """End in order at the first signal; at the second, at once."""

    def ask(number: int, _frame: object) -> None:
        if stop.signalled:
            os._exit(128 + number)
        stop.ask(f"signal {signal.Signals(number).name}")

    signal.signal(signal.SIGINT, ask)
    signal.signal(signal.SIGTERM, ask)


def _tell(outcome: SendOutcome, as_json: bool) -> None:
    if as_json:
        print_json(outcome.as_json())
    elif outcome.nothing_new:
        click.echo(f"{outcome.message}\n{outcome.next_step}")
    else:
        from transfer.receipt import receipt

        click.echo(receipt(outcome), nl=False)


def _tell_hanging(outcome: SendOutcome, records: Records, as_json: bool) -> None:
    from transfer.receipt import receipt

    kept = records.keep_receipt(receipt(outcome), outcome.ended)
    if not as_json:
        where = f" A receipt is kept in {kept}." if kept is not None else ""
        click.echo(f"A drive does not answer any more: the run ended without it.{where}", err=True)
