"""The archive that a command works on: the one named on the command line, else the configuration's."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, TypeVar

import click

from manifests.frames.calibration.equipment import EquipmentNames
from transfer.archive.typed_names import NameTables, Typed, names_meant
from transfer.cli.options import WRITTEN_PATH, config_option, json_option, the_config
from transfer.errors import ConfigurationError

if TYPE_CHECKING:
    from transfer.archive.questions import Browsed
    from transfer.cli.telling import NoteWriter

Command = TypeVar("Command", bound=Callable[..., object])

_archive_option = click.option(
    "--archive",
    "archive_folder",
    metavar="FOLDER",
    type=WRITTEN_PATH,
    help="The archive. Default: the configuration's; with this, none is needed.",
)


class Chosen(NamedTuple):
    """The archive that a command works on, and the person's own names.

    `config_file` is the configuration that names the archive's folder, None where the command line does.
    """

    root: Path
    own: NameTables
    config_file: Path | None = None


def archive_options(function: Command) -> Command:
    """Add the options of every command that asks the archive."""
    for option in (json_option, _archive_option, config_option):
        function = option(function)
    return function


def chosen_archive(config_file: str | None, archive_folder: Path | None) -> Chosen:
    """Return the archive that was named, else the configuration's. Raises ConfigurationError."""
    if archive_folder is not None and config_file is None:
        return Chosen(archive_folder.absolute(), NameTables())
    config = the_config(config_file)
    own = NameTables(config.targets, config.filters, EquipmentNames(config.telescopes, config.cameras))
    if archive_folder is not None:
        return Chosen(archive_folder.absolute(), own)
    if config.archive is None:
        step = "Write its folder into a section [archive], or name it with --archive FOLDER."
        raise ConfigurationError("No archive is named here", config.file, step)
    return Chosen(config.archive.folder, own, config.file)


def meant_by(typed: Typed, archive: Browsed, own: NameTables, notes: NoteWriter) -> Typed:
    """Return the archive's names for those that were typed. Raises NightferryError."""
    if not typed:
        return typed
    from manifests.index.names import names

    return names_meant(typed, archive.ask(names), own, notes)
