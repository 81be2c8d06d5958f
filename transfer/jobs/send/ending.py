"""How a run of `send` stands, told from its nights: its exit code, its one line, and what to do next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from manifests.findings import Finding, FindingKind
from transfer.engine.medium import ReadBack
from transfer.errors import ExitCode, NightferryError
from transfer.jobs.send.not_taken import NotTaken, count_images
from transfer.jobs.send.outcome import NightOutcome, SendOutcome, by_drive
from transfer.stop import Stop
from transfer.words import counted, size_told

_UNSEEN = frozenset({FindingKind.UNREADABLE, FindingKind.SOURCE_ABSENT})


def ending(
    began: datetime,
    ended: datetime,
    stop: Stop,
    nights: Sequence[NightOutcome],
    noticed: Sequence[Finding],
    not_taken: Sequence[NotTaken] = (),
) -> SendOutcome:
    """Say how the run stands, whether or not it came to its end. `noticed` are findings of the sources."""
    unproven = sum(each.files - each.proven for each in nights)
    unseen = [found for found in noticed if found.kind in _UNSEEN]
    missed = _missed(unseen, count_images(not_taken))
    code_of_missed = code_of_unseen(noticed)
    if missed and code_of_missed is ExitCode.PROVEN:
        code_of_missed = ExitCode.SOMETHING_UNPROVEN
    code = _exit_code(stop, nights, unproven, code_of_missed)
    return SendOutcome(
        exit_code=code,
        message=_message(stop, nights, code_of_missed) + (f" Not carried: {missed}." if missed else ""),
        began=began,
        ended=ended,
        nights=tuple(nights),
        findings=tuple(noticed),
        not_taken=tuple(not_taken),
        missed=missed,
        next_step=_next_step(code, nights, unproven),
    )


def failed(error: NightferryError, began: datetime, ended: datetime) -> SendOutcome:
    """Return the outcome of a run that ended before anything was written."""
    where = f"{error.path}: " if error.path else ""
    return SendOutcome(
        exit_code=error.exit_code,
        message=f"{where}{error.happened}.",
        began=began,
        ended=ended,
        waiting=None,
        next_step=error.next_step,
    )


def _exit_code(
    stop: Stop, nights: Sequence[NightOutcome], unproven: int, code_of_missed: ExitCode
) -> ExitCode:
    failure = _first(night.failure for night in nights)
    if nights and not unproven and failure is None:
        return code_of_missed
    if failure is not None:
        return failure.exit_code
    if stop.why or any(night.stopped for night in nights):
        return ExitCode.STOPPED_EARLY
    full = _first(night.full for night in nights)
    return ExitCode.SOMETHING_UNPROVEN if full is None else full.exit_code


def code_of_unseen(noticed: Iterable[Finding]) -> ExitCode:
    """Return the code of a run that carried all it was to: there may be files where it did not look."""
    kinds = _UNSEEN.intersection(found.kind for found in noticed)
    if FindingKind.SOURCE_ABSENT in kinds:
        return ExitCode.NOT_THERE
    return ExitCode.SOMETHING_UNPROVEN if kinds else ExitCode.PROVEN


def _missed(unseen: Sequence[Finding], images: int) -> str:
    """Say what of the sources was not looked into, and how many images no pattern takes."""
    parts = [f"{counted(images, 'image')} that no pattern takes"] if images else []
    if unseen:
        places = ", ".join(found.path for found in unseen[:3]) + (", …" if len(unseen) > 3 else "")
        parts.append(f"what lies in {places}, which could not be looked into")
    return " and ".join(parts)


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
            "Connect or correct what could not be looked into, or was not taken (nightferry plan names it), "
            "and send again."
        )
    return "Send again: what is proven stays proven, and the rest is carried."


def _message(stop: Stop, nights: Sequence[NightOutcome], code_of_missed: ExitCode) -> str:
    """Say how each drive stands: what one has says nothing of another."""
    if not nights:
        return f"Ended early: {stop.why}." if stop.why else "No file was found in any source."
    told = []
    for drive, of_drive in by_drive(nights).items():
        unproven = sum(each.files - each.proven for each in of_drive)
        code = _exit_code(stop, of_drive, unproven, code_of_missed)
        told.append(_message_of_drive(code, stop, of_drive, drive))
    return " ".join(dict.fromkeys(told))


def _message_of_drive(code: ExitCode, stop: Stop, nights: Sequence[NightOutcome], drive: str) -> str:
    proven = sum(each.proven for each in nights)
    if code is ExitCode.PROVEN and not any(each.files for each in nights):
        return "Nothing new to send: every file is in the archive, or was checked on a drive."
    if code is ExitCode.PROVEN and not any(each.carried for each in nights):
        return _nothing_new(nights, proven, drive)
    size = size_told(sum(each.proven_bytes for each in nights))
    what = f"{counted(proven, 'file')} ({size})"
    all_are = f"The only file ({size}) is" if proven == 1 else f"All {what} are"
    if code is ExitCode.PROVEN:
        return _all_proven(nights, all_are, drive)
    unproven, reason = sum(each.files for each in nights) - proven, _reason(stop, nights)
    if not unproven and code is not ExitCode.STOPPED_EARLY and not reason:
        return _all_proven(nights, all_are, drive)
    from_medium = all(each.read_back is ReadBack.MEDIUM for each in nights)
    if not unproven and not any(each.carried for each in nights) and any(each.failure for each in nights):
        found = "proven" if from_medium else "compared, but perhaps from memory,"
        return f"{what} were {found} on {drive} by earlier runs; this one failed.{reason}"
    are, were = ("is", "was") if proven == 1 else ("are", "were")
    rest = f"{unproven:,} {'is' if unproven == 1 else 'are'} not"
    if from_medium:
        return f"{what} {are} proven on {drive}; {rest}.{reason}"
    return f"{what} {were} compared on {drive}, but perhaps from memory; {rest} proven.{reason}"


def _nothing_new(nights: Sequence[NightOutcome], proven: int, drive: str) -> str:
    every = "the only file was" if proven == 1 else f"all {counted(proven, 'file')} were"
    again = sum(each.proven_again for each in nights)
    if all(each.read_back is ReadBack.MEDIUM for each in nights) and again:
        were, are = ("was", "is") if again == 1 else ("were", "are")
        told = f"{counted(again, 'file')} that {were} compared before, but perhaps from memory"
        return f"Nothing new to send; {told}, {were} read back from the medium on {drive}, and {are} equal."
    if all(each.read_back is ReadBack.MEDIUM for each in nights):
        return f"Nothing new to send: {every} proven on {drive} by an earlier run."
    return f"Nothing new to send: {every} compared on {drive} by an earlier run, but perhaps from memory."


def _reason(stop: Stop, nights: Sequence[NightOutcome]) -> str:
    error = _first(night.failure or night.full for night in nights)
    if error is not None:
        return f" {error.happened}."
    return f" Ended early: {stop.why}." if stop.why else ""


def _all_proven(nights: Sequence[NightOutcome], all_are: str, drive: str) -> str:
    carried = sum(each.carried for each in nights)
    before = sum(each.proven for each in nights) - carried
    earlier = f" ({before} of them by an earlier run)" if before > 0 else ""
    if all(each.read_back is ReadBack.MEDIUM for each in nights):
        return f"{all_are} on {drive}, read back from the medium and equal{earlier}."
    return f"{all_are} on {drive}, compared, but perhaps from memory{earlier}."
