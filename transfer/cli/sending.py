"""One run of `send`, shown: kept apart from its command so that a look that finds nothing new stays light."""

from __future__ import annotations

from transfer.bounded import run_bounded
from transfer.cli.options import print_json, records_folder, say
from transfer.cli.progress import Progress
from transfer.cli.signals import stop_on_signals
from transfer.config import Config
from transfer.engine.medium import this_computer
from transfer.jobs.send.outcome import SendOutcome
from transfer.jobs.send.run import SendRequest, SendRun
from transfer.records import Records
from transfer.stop import Stop
from transfer.surroundings import Surroundings


def send(config: Config, request: SendRequest, stop: Stop, as_json: bool) -> int:
    """Run it, tell what came of it, and give the exit code."""
    stop_on_signals(stop)
    records = Records(records_folder(config))
    with Progress(shown=not as_json) as progress:
        run = SendRun(config, request, Surroundings(this_computer(), records, stop, progress))
        outcome, hangs = run_bounded(run.run, run.outcome, stop)
    _tell(outcome, as_json)
    if hangs:
        _tell_hanging(outcome, records, as_json)
    return int(outcome.exit_code)


def _tell(outcome: SendOutcome, as_json: bool) -> None:
    if as_json:
        print_json(outcome.as_json())
    elif outcome.nothing_new:
        say("\n".join([outcome.message, outcome.next_step, *outcome.passed_by()]))
    elif not outcome.nights:
        say(f"nightferry send: {outcome.message} {outcome.next_step}", err=True)
    else:
        from transfer.jobs.send.receipt import receipt

        say(receipt(outcome).removesuffix("\n"))


def _tell_hanging(outcome: SendOutcome, records: Records, as_json: bool) -> None:
    from transfer.jobs.send.receipt import receipt

    kept = records.keep_receipt(receipt(outcome), outcome.ended)
    if not as_json:
        where = f" A receipt is kept in {kept}." if kept is not None else ""
        say(f"A drive does not answer any more: the run ended without it.{where}", err=True)
