"""The archive that a command works on: the one named on the command line, else the configuration's first."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, TypeVar

import click

from manifests.frames.calibration.equipment import EquipmentNames
from transfer.archive.typed_names import NameTables, Typed, names_meant
from transfer.cli.options import WRITTEN_PATH, any_config, config_option, json_option, the_config
from transfer.errors import ConfigurationError, NotThere

if TYPE_CHECKING:
    from transfer.archive.questions import Browsed
    from transfer.cli.telling import NoteWriter
    from transfer.config import Archive, Config

Command = TypeVar("Command", bound=Callable[..., object])

_archive_option = click.option(
    "--archive",
    "archive_folder",
    metavar="NAME|FOLDER",
    type=WRITTEN_PATH,
    help="The archive: its name in the configuration, or its folder. Default: the configuration's first.",
)


class Chosen(NamedTuple):
    """The archive that a command works on, and the person's own names.

    `config` is the configuration that was read; `config_file` is its path where it names the archive, None
    where the command line gives the folder.
    """

    root: Path
    own: NameTables
    config_file: Path | None = None
    config: Config | None = None

    @property
    def archives(self) -> tuple[Archive, ...]:
        """All archives of the configuration."""
        return () if self.config is None else self.config.archives


def archive_options(function: Command) -> Command:
    """Add the options of every command that asks the archive."""
    for option in (json_option, _archive_option, config_option):
        function = option(function)
    return function


def chosen_archive(config_file: str | None, archive_folder: Path | None) -> Chosen:
    """Return the archive that was named, else the configuration's first. Raises ConfigurationError."""
    config = (
        the_config(config_file) if archive_folder is None else _config_beside(config_file, archive_folder)
    )
    if config is None:
        assert archive_folder is not None
        return Chosen(archive_folder.absolute(), NameTables())
    own = NameTables(config.targets, config.filters, EquipmentNames(config.telescopes, config.cameras))
    archive = config.archive if archive_folder is None else archive_named(config, archive_folder)
    if archive is not None:
        return Chosen(archive.folder, own, config.file, config)
    if archive_folder is not None:
        _refuse_unknown(config, archive_folder)
        # Names in a configuration that just lies around have nothing to do with the folder.
        return Chosen(archive_folder.absolute(), own if config_file else NameTables(), None, config)
    step = "Write its folder into a section [archive], or name it with --archive FOLDER."
    raise ConfigurationError("No archive is named here", config.file, step)


def archive_named(config: Config, written: Path) -> Archive | None:
    """Return the configuration's archive of a name; None where it has none of that name."""
    name = str(written).casefold()
    return next((each for each in config.archives if each.name and each.name.casefold() == name), None)


def archive_meant(config: Config, written: Path) -> Archive:
    """Return the archive that a person named, by its name or its folder. Raises NotThere."""
    from transfer.config import Archive

    named = archive_named(config, written)
    if named is None:
        _refuse_unknown(config, written)
        folder = written.absolute()
        named = next((each for each in config.archives if each.folder == folder), Archive(folder))
    return named


def _refuse_unknown(config: Config, written: Path) -> None:
    """Raise NotThere for what is neither a name of the configuration nor a folder, where it has names."""
    names = ", ".join(f"{each.name!r}" for each in config.archives if each.name)
    if names and not written.is_dir():
        happened = "No archive has this name, and it is no folder"
        raise NotThere(happened, written, f"{config.file} names {names}.")


def _config_beside(config_file: str | None, archive_folder: Path) -> Config | None:
    """Return the configuration in which `archive_folder` may be a name; None where there is none to read."""
    try:
        return any_config(config_file)
    except ConfigurationError:
        if config_file is not None or not archive_folder.is_dir():
            raise
        return None


def meant_by(typed: Typed, archive: Browsed, own: NameTables, notes: NoteWriter) -> Typed:
    """Return the archive's names for those that were typed. Raises NightferryError."""
    if not typed:
        return typed
    from manifests.index.names import names

    return names_meant(typed, archive.ask(names), own, notes)
