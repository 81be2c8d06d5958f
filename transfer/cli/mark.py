"""`nightferry mark`: the person's verdict on a night."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path

import click

from manifests.readings.verdicts import Verdict
from transfer.cli.archives import archive_options, chosen_archive
from transfer.cli.options import any_config, ends_with_exit_code, print_json, records_folder, say, user_folder
from transfer.cli.screen import screen_of
from transfer.cli.telling import worth_a_look
from transfer.cli.written_nights import Night
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.stop import Stop


@click.command("mark", context_settings={"allow_extra_args": True})
@click.argument("night", type=Night(), metavar="NIGHT")
@click.argument("verdict", type=click.Choice([each.value for each in Verdict]))
@click.option("--because", default="", metavar="TEXT", help="Why, in your words.")
@click.pass_context
@archive_options
@ends_with_exit_code("mark")
def command(
    context: click.Context,
    config_file: str | None,
    archive_folder: Path | None,
    as_json: bool,
    night: date,
    verdict: str,
    because: str,
) -> int:
    """Keep your verdict on a night: good, poor or lost.

    NIGHT is the date of its evening; or tonight, yesterday, a weekday. The verdict goes into the night's bag
    in the archive, durably; nothing said before is changed, and the last verdict holds. `nights` shows it,
    `compare` works with it.
    """
    if context.args:
        words = " ".join(context.args)
        raise click.UsageError(f'why it went so is said with --because: --because "{words}"')
    from transfer.jobs.mark import mark  # slow to load: `mark --help` does without

    root = chosen_archive(config_file, archive_folder).root
    config = any_config(config_file)
    records = Records(user_folder() / "records" if config is None else records_folder(config))
    around = Surroundings(this_computer(), records, Stop())
    outcome = mark(root, night, Verdict(verdict), because, around)
    if as_json:
        print_json(outcome.as_json())
    else:
        screen = screen_of(sys.stdout)
        say(screen.clean(outcome.message))
        for line in worth_a_look(outcome.findings, see="--json"):
            say(screen.clean(line))
    return int(outcome.exit_code)
