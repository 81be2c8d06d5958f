"""The forms that a list of frames comes in, and the options that choose one."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import TypeVar

import click

from transfer.errors import ConfigurationError

Command = TypeVar("Command", bound=Callable[..., object])


class Form(StrEnum):
    """A form, named as its option is."""

    TABLE = "table"
    JSON = "json"
    CSV = "csv"
    ECSV = "ecsv"
    VOTABLE = "votable"
    PATHS = "paths"
    PATHS0 = "paths0"


_HELP = {
    Form.CSV: "CSV, with every fact that is known.",
    Form.ECSV: "The same as ECSV, with units.",
    Form.VOTABLE: "The same as a VOTable, with the columns of IVOA's ObsCore 1.1.",
    Form.PATHS: "The path of each frame that is there, one a line, for other programs.",
    Form.PATHS0: "The same, each followed by NUL: takes any name.",
}


def form_options(function: Command) -> Command:
    """Add an option for each form that is not an option of all commands."""
    for form, text in reversed(_HELP.items()):
        function = click.option(f"--{form}", form.value, is_flag=True, help=text)(function)
    return function


def one_form(as_json: bool, **asked: bool) -> Form:
    """Return the form that was asked for, a table where none was. Raises ConfigurationError."""
    forms = [Form.JSON] if as_json else []
    forms += [Form(name) for name, wanted in asked.items() if wanted]
    if len(forms) > 1:
        raise ConfigurationError(f"--{forms[0]} and --{forms[1]} are two forms of one list: give one of them")
    return forms[0] if forms else Form.TABLE
