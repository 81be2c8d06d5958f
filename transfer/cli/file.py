"""`nightferry file`: bring nights into the archive."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.cli.archives import archive_meant
from transfer.cli.options import (
    WRITTEN_PATH,
    all_findings_option,
    config_option,
    ends_with_exit_code,
    json_option,
    print_json,
    the_config,
)
from transfer.config import Config, parse_duration_s
from transfer.errors import ConfigurationError

if TYPE_CHECKING:
    from transfer.jobs.file.run import FileRequest

_NOTHING = {"filed": 0, "already_there": 0, "refused": 0, "files": [], "deliveries": []}


@click.command("file")
@click.argument("path", required=False, metavar="[DRIVE or FOLDER]", type=WRITTEN_PATH)
@click.option("--dry-run", is_flag=True, help="Show where everything would go; write nothing.")
@click.option(
    "--wait", "wait", metavar="TIME", help="How long to wait for a run that files now. Default: 10m."
)
@click.option("--new-archive", is_flag=True, help="Begin an archive where one was before and is no more.")
@click.option(
    "--archive",
    "archives",
    metavar="NAME|FOLDER",
    type=WRITTEN_PATH,
    multiple=True,
    help="File into this archive only, by its name in the configuration or its folder; may be repeated.",
)
@click.option(
    "--from-archive",
    metavar="NAME|FOLDER",
    type=WRITTEN_PATH,
    help="File what this archive has into the others (or into --archive), which catch up with it.",
)
@click.option("--no-measures", is_flag=True, help="Measure no frames after they are filed.")
@all_findings_option
@config_option
@json_option
@ends_with_exit_code("file", _NOTHING)
def command(
    no_measures: bool,
    all_findings: bool,
    config_file: str | None,
    as_json: bool,
    **asked: Any,
) -> int:
    """Bring every night on a drive into every archive that is here: lights by target, night and filter.

    Without a path: every prepared drive that is connected. A path may be a drive, one night's bag on it,
    or an ordinary folder of frames from years before. Each file is compared with its bag as it is read,
    written, read back and listed. When a night is in an archive whole, the archive's acknowledgement is
    written onto the drive, for the imaging computer to read. After that, and after all of it is told, new
    frames are measured, for ten minutes at most, where the library for it is installed.
    """
    from transfer.cli.filing import file_it

    config = the_config(config_file)
    request = _request(config, list_files=as_json, **asked)
    return file_it(config, request, print_json if as_json else None, all_findings, not no_measures)


def _request(
    config: Config,
    *,
    list_files: bool,
    path: Path | None,
    dry_run: bool,
    wait: str | None,
    new_archive: bool,
    archives: tuple[Path, ...],
    from_archive: Path | None,
) -> FileRequest:
    """Return what was asked for. Raises ConfigurationError."""
    from transfer.jobs.file.run import WAIT_S, FileRequest  # which --help does without

    if path is not None and from_archive is not None:
        raise ConfigurationError("Name a drive or folder, or --from-archive: not both")
    return FileRequest(
        path=None if path is None else path.absolute(),
        dry_run=dry_run,
        list_files=list_files,
        new_archive=new_archive,
        wait_s=WAIT_S if wait is None else _wait_s(wait),
        into=tuple(archive_meant(config, written) for written in archives),
        from_archive=None if from_archive is None else archive_meant(config, from_archive),
    )


def _wait_s(written: str) -> float:
    try:
        return parse_duration_s(written)
    except ValueError as error:
        raise ConfigurationError(
            f"--wait {written!r} is not a time with its unit, such as 10m or 90s"
        ) from error
