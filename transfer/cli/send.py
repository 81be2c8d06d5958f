"""`nightferry send`: the end-of-night job."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from transfer.bounded import run_bounded
from transfer.cli.options import (
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
from transfer.config import Config, parse_duration_s
from transfer.errors import ConfigurationError, StoppedEarly
from transfer.jobs.send.last_answer import Answer, Asked, answer_again, asked
from transfer.stop import Stop

NOTHING_SENT = {
    "nights": [],
    "files_proven": 0,
    "files_unproven": 0,
    "bytes_proven": 0,
    "safe_to_pull": False,
}


@click.command("send")
@config_option
@json_option
@scope_options
@click.option("--time-limit", metavar="TIME", help="End in order after TIME (such as 30m), proven or not.")
@ends_with_exit_code("send", NOTHING_SENT)
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
    question = asked(drives, [night.date() for night in nights], since and since.date(), everything)
    stop = Stop(limit_s)

    def answer_or_send() -> int:
        again = _bounded_answer(config, question, stop)
        if again is not None:
            return _tell_again(again, as_json)
        from transfer.cli.sending import send  # with all that looks at drives and copies

        return send(config, as_request(drives, nights, since, everything), stop, as_json)

    if limit_s is None:
        return answer_or_send()
    from transfer.cli.apart import run_apart

    return run_apart(lambda: exit_code_of("send", answer_or_send, as_json, NOTHING_SENT))


def _bounded_answer(config: Config, question: Asked, stop: Stop) -> Answer | None:
    """Give the last answer where it still holds. It looks at the drives, and one that hangs may hold it."""
    answer, hangs = run_bounded(
        lambda: answer_again(config, question, records_folder(config)), lambda: None, stop, grace_s=0.1
    )
    if hangs:
        happened = f"A drive, or a source, does not answer; ended early: {stop.why}"
        raise StoppedEarly(happened, next_step="Unplug the drive, plug it in again, and send again.")
    return answer


def _limit_s(written: str) -> float:
    try:
        return parse_duration_s(written)
    except ValueError as error:
        step = "Write a time with its unit, such as 30m, 1h30m or 90s."
        raise ConfigurationError(f"--time-limit {written!r} is no length of time", next_step=step) from error


def _tell_again(answer: Answer, as_json: bool) -> int:
    if as_json:
        print_json(answer.document)
    else:
        say(f"{answer.message}\n{answer.next_step}")
    return 0
