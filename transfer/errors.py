"""What can end a run, each with the exit code that scripts rely on.

    NightferryError
      ConfigurationError   2  the command line or the configuration is wrong
      NotThere             3  a drive, an archive or a source folder is not there
      DoesNotFit           4  it does not fit
      Busy                 5  another run is at work on the same place
      StoppedEarly         6  a time limit or a signal
      DriveFailed          1  the drive failed while at work
      Unforeseen           1  a fault in the program itself

An error says what happened, to which path, and what to do next.
"""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """The exit codes of every command."""

    PROVEN = 0
    SOMETHING_UNPROVEN = 1
    WRONG_USE = 2
    NOT_THERE = 3
    DOES_NOT_FIT = 4
    BUSY = 5
    STOPPED_EARLY = 6


class NightferryError(Exception):
    """An end of the run that a person can act on: `happened`, to `path`, and what to do `next_step`."""

    exit_code = ExitCode.SOMETHING_UNPROVEN

    def __init__(self, happened: str, path: object = "", next_step: str = "") -> None:
        super().__init__(happened, path, next_step)
        self.happened = happened
        self.path = str(path)
        self.next_step = next_step

    def __str__(self) -> str:
        where = f"{self.path}: " if self.path else ""
        step = f" {self.next_step}" if self.next_step else ""
        return f"{where}{self.happened}.{step}"


class ConfigurationError(NightferryError):
    """The command line or the configuration is wrong."""

    exit_code = ExitCode.WRONG_USE


class NotThere(NightferryError):
    """A drive, an archive or a source folder is not there."""

    exit_code = ExitCode.NOT_THERE


class DoesNotFit(NightferryError):
    """What is to be written does not fit."""

    exit_code = ExitCode.DOES_NOT_FIT


class Busy(NightferryError):
    """Another run is at work on the same place."""

    exit_code = ExitCode.BUSY


class StoppedEarly(NightferryError):
    """A time limit or a signal ended the run."""

    exit_code = ExitCode.STOPPED_EARLY


class DriveFailed(NightferryError):
    """The drive failed, or left, while at work."""


class Unforeseen(NightferryError):
    """A fault in the program itself."""
