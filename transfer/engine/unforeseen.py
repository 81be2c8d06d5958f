"""What ended a run and was not named where it happened, as an error that a person can act on."""

from __future__ import annotations

from transfer.engine.medium import drive_has_left
from transfer.errors import DriveFailed, NightferryError, NotThere, Unforeseen

_LESS_AT_ONCE = "End other programs, or raise what this user may use, then do this again."
_NO_THREAD = "can't start new thread"  # what CPython says of it


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
