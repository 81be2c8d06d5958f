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

_LESS_AT_ONCE = "End other programs, or raise what this user may use, then do this again."
_NO_THREAD = "can't start new thread"  # what CPython says of it


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


def unforeseen(fault: BaseException, path: object = "") -> NightferryError:
    """Return what ended a run that nothing else has named: the files that are proven stay proven.

    What the system said of a disk, of memory or of threads is named; the rest is a fault in the program.
    """
    error = _by_the_system(fault, path) or Unforeseen(
        f"The program met what it does not know ({type(fault).__name__}: {fault})",
        path,
        "Send again; if it comes back, please report this line.",
    )
    error.__cause__ = fault
    return error


def _by_the_system(fault: BaseException, path: object) -> NightferryError | None:
    if isinstance(fault, OSError):
        from transfer.engine.medium.base import drive_has_left  # which a run that goes well does without

        where = fault.filename if isinstance(fault.filename, str) else path
        if drive_has_left(fault):
            step = "Connect and mount it again, then do this again: what is proven stays proven."
            return NotThere(f"The disk or share has left ({fault.strerror})", where, step)
        step = "Look at what is there, then do this again: what is proven stays proven."
        return DriveFailed(f"It cannot be used ({fault.strerror or fault})", where, step)
    if isinstance(fault, MemoryError):
        return NightferryError("This computer has no memory left for the run", path, _LESS_AT_ONCE)
    if isinstance(fault, RuntimeError) and _NO_THREAD in str(fault):
        return NightferryError("The system lets the run start no further thread", path, _LESS_AT_ONCE)
    return None
