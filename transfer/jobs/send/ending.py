"""How a run of `send` stands, told from its nights: its exit code, its one line, and what to do next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

import humanize

from manifests.findings import Finding, FindingKind
from transfer.engine.medium import ReadBack
from transfer.errors import ExitCode, NightferryError
from transfer.jobs.send.outcome import NightOutcome, SendOutcome
from transfer.stop import Stop

_UNSEEN = frozenset({FindingKind.UNREADABLE, FindingKind.SOURCE_ABSENT})


def ending(
    began: datetime, ended: datetime, stop: Stop, nights: Sequence[NightOutcome], noticed: Sequence[Finding]
) -> SendOutcome:
    """Say how the run stands, whether or not it came to its end. `noticed` are findings of the sources."""
    unproven = sum(each.files - each.proven for each in nights)
    unseen = [found for found in noticed if found.kind in _UNSEEN]
    code = _exit_code(stop, nights, unproven, unseen)
    return SendOutcome(
        exit_code=code,
        message=_message(code, stop, nights) + _told_unseen(unseen),
        began=began,
        ended=ended,
        nights=tuple(nights),
        findings=tuple(noticed),
        next_step=_next_step(code, nights, unproven),
    )


def failed(error: NightferryError, began: datetime, ended: datetime) -> SendOutcome:
    """Return the outcome of a run that ended before anything was written."""
    where = f"{error.path}: " if error.path else ""
    return SendOutcome(error.exit_code, f"{where}{error.happened}.", began, ended, next_step=error.next_step)


def _exit_code(
    stop: Stop, nights: Sequence[NightOutcome], unproven: int, unseen: Sequence[Finding]
) -> ExitCode:
    failure = _first(night.failure for night in nights)
    if nights and not unproven and failure is None:
        return _code_of_unseen(unseen)
    if failure is not None:
        return failure.exit_code
    if stop.why or any(night.stopped for night in nights):
        return ExitCode.STOPPED_EARLY
    full = _first(night.full for night in nights)
    return ExitCode.SOMETHING_UNPROVEN if full is None else full.exit_code


def _code_of_unseen(unseen: Sequence[Finding]) -> ExitCode:
    """Return the code of a run that carried all it saw: there may be files where it could not look."""
    if any(found.kind is FindingKind.SOURCE_ABSENT for found in unseen):
        return ExitCode.NOT_THERE
    return ExitCode.SOMETHING_UNPROVEN if unseen else ExitCode.PROVEN


def _told_unseen(unseen: Sequence[Finding]) -> str:
    if not unseen:
        return ""
    places = ", ".join(found.path for found in unseen[:3]) + (", …" if len(unseen) > 3 else "")
    return f" Not looked into, and perhaps with more files: {places}."


def _first(errors: Iterable[NightferryError | None]) -> NightferryError | None:
    return next((error for error in errors if error is not None), None)


def _next_step(code: ExitCode, nights: Sequence[NightOutcome], unproven: int) -> str:
    error = _first(night.failure or night.full for night in nights)
    if error is not None:
        return error.next_step
    if code is ExitCode.PROVEN:
        return "The drive may be pulled, and the computer switched off."
    if not nights:
        return "Look at the sources with: nightferry plan"
    if not unproven:
        return (
            "Connect, or correct, what could not be looked into (nightferry plan names it), and send again."
        )
    return "Send again: what is proven stays proven, and the rest is carried."


def _message(code: ExitCode, stop: Stop, nights: Sequence[NightOutcome]) -> str:
    if not nights:
        return f"Ended early: {stop.why}." if stop.why else "No file was found in any source."
    proven = sum(each.proven for each in nights)
    drives = " and ".join(dict.fromkeys(repr(each.drive) for each in nights))
    if code is ExitCode.PROVEN and not any(each.files for each in nights):
        return "Nothing new to send: the archive has every file."
    if code is ExitCode.PROVEN and not any(each.carried for each in nights):
        return f"Nothing new to send: all {proven} files were proven on {drives} by an earlier run."
    size = humanize.naturalsize(sum(each.proven_bytes for each in nights))
    if code is ExitCode.PROVEN:
        return _all_proven(nights, f"{proven} files ({size})", drives)
    unproven, reason = sum(each.files for each in nights) - proven, _reason(stop, nights)
    if not unproven and code is not ExitCode.STOPPED_EARLY and not reason:
        return _all_proven(nights, f"{proven} files ({size})", drives)
    if not unproven and not any(each.carried for each in nights) and any(each.failure for each in nights):
        return f"{proven} files ({size}) were proven on {drives} by earlier runs; this one failed.{reason}"
    return f"{proven} files ({size}) are proven on {drives}; {unproven} are not.{reason}"


def _reason(stop: Stop, nights: Sequence[NightOutcome]) -> str:
    error = _first(night.failure or night.full for night in nights)
    if error is not None:
        return f" {error.happened}."
    return f" Ended early: {stop.why}." if stop.why else ""


def _all_proven(nights: Sequence[NightOutcome], what: str, drives: str) -> str:
    carried = sum(each.carried for each in nights)
    before = sum(each.proven for each in nights) - carried
    earlier = f" ({before} of them by an earlier run)" if before > 0 else ""
    if all(each.read_back is ReadBack.MEDIUM for each in nights):
        return f"All {what} are on {drives}, read back from the medium and equal{earlier}."
    return f"All {what} are on {drives}, compared, but perhaps from memory{earlier}."
