"""`nightferry send`: the end-of-night job."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

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
from transfer.config import parse_duration_s
from transfer.errors import ConfigurationError
from transfer.jobs.last_answer import Answer, answer_again, asked


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
    question = asked(drives, [night.date() for night in nights], since and since.date(), everything)
    again = answer_again(config, question, records_folder(config))
    if again is not None:
        return _tell_again(again, as_json)
    from transfer.cli.sending import send  # with all that looks at drives and copies

    request = as_request(drives, nights, since, everything)
    if limit_s is None:
        return send(config, request, limit_s, as_json)
    from transfer.cli.apart import run_apart

    return run_apart(lambda: send(config, request, limit_s, as_json))


def _limit_s(written: str) -> float:
    try:
        return parse_duration_s(written)
    except ValueError as error:
        raise ConfigurationError(f"--time-limit {written!r}: {error}") from error


def _tell_again(answer: Answer, as_json: bool) -> int:
    if as_json:
        print_json(answer.document)
    else:
        click.echo(f"{answer.message}\n{answer.next_step}")
    return 0
