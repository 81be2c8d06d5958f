"""`nightferry prepare`: mark a folder as a drive to send to."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from transfer.cli.options import (
    WRITTEN_PATH,
    any_config,
    config_option,
    ends_with_exit_code,
    json_option,
    print_json,
    say,
)
from transfer.engine.medium import this_computer
from transfer.errors import ExitCode
from transfer.jobs.prepare import PrepareOutcome, from_memory, prepare
from transfer.words import size_told

if TYPE_CHECKING:
    from transfer.config import DriveName


@click.command("prepare")
@click.argument("drive", type=WRITTEN_PATH)
@click.option("--name", help="What to call the drive. Default: the one name that the configuration has.")
@config_option
@json_option
@ends_with_exit_code("prepare")
def command(drive: Path, name: str | None, config_file: str | None, as_json: bool) -> int:
    """Mark the folder DRIVE as one to send to; measure it; say what it cannot hold.

    Any folder can be prepared: a stick, a card, a network share. Nothing on it is deleted.
    """
    config = any_config(config_file) if name is None or config_file is not None else None
    drives = () if config is None else config.drives
    outcome = prepare(drive, name, this_computer(), datetime.now(UTC), [each.name for each in drives])
    if as_json:
        print_json(outcome.as_json())
    else:
        say("\n".join(_lines(outcome, drives)))
    return int(ExitCode.PROVEN)


def _lines(outcome: PrepareOutcome, drives: Collection[DriveName]) -> Iterator[str]:
    mark, volume = outcome.mark, outcome.volume
    yield f"Ready to be sent to: {mark.name!r} at {outcome.root}"
    if outcome.called_before:
        yield f"It was called {outcome.called_before!r}: a configuration that names it so no longer finds it."
    yield f"  file system   {volume.file_system or 'not told by this system'}"
    yield f"  free          {size_told(outcome.free_bytes)}"
    yield from _speeds(outcome)
    yield f"  read-back     {_read_back(outcome)}"
    if outcome.measured is not None and outcome.measured.evidence.remedy:
        yield "  To have it read from the medium, let this user read this device, and no other:"
        yield f"  {outcome.measured.evidence.remedy}"
    yield f"  cannot hold   {_cannot_hold(outcome)}"
    for finding in outcome.findings:
        yield f"Worth a look: {finding.path} is {finding.kind.value}: {finding.detail}."
    if not any(_leads_to(each, outcome) for each in drives):
        yield "Name it in nightferry.toml:"
        yield "  [[drive]]"
        yield f'  name = "{mark.name}"'
        if not outcome.found_by_mark:
            yield f"  folder = {_quoted(str(outcome.root))}   # its name alone does not lead to it"


def _leads_to(named: DriveName, outcome: PrepareOutcome) -> bool:
    """Return whether what the configuration says of a drive is enough to find it."""
    return named.name == outcome.mark.name and (outcome.found_by_mark or named.folder is not None)


def _quoted(folder: str) -> str:
    return json.dumps(folder, ensure_ascii=False) if "'" in folder else f"'{folder}'"


def _speeds(outcome: PrepareOutcome) -> Iterator[str]:
    measured = outcome.measured
    if measured is None:
        yield "  speed         not measured: there is too little room on it"
        return
    yield f"  writes        {size_told(measured.write_bytes_per_s)}/s, flushed"
    yield f"  reads         {size_told(measured.read_bytes_per_s)}/s"


def _read_back(outcome: PrepareOutcome) -> str:
    if outcome.measured is None:
        return "not tried"
    if from_memory(outcome):
        return f"perhaps from memory: {outcome.measured.evidence.method}"
    return f"from the medium: {outcome.measured.evidence.method}"


def _cannot_hold(outcome: PrepareOutcome) -> str:
    limits = outcome.limits
    if limits is None:
        return "not known for this file system"
    if limits.largest_file_bytes is None or limits.largest_file_bytes >= 1 << 40:
        return "nothing that a night has"
    return f"a file of more than {limits.largest_file_bytes:,} bytes ({limits.name})"
