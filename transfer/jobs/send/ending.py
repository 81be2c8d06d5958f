"""How a run of `send` stands, told from its nights: the outcome, its exit code, and its one line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from manifests.findings import Finding, FindingKind
from transfer.engine.medium import ReadBack
from transfer.errors import ExitCode, NightferryError
from transfer.jobs.send.outcome import NightOutcome, SendOutcome

if TYPE_CHECKING:
    from transfer.jobs.send.drive_night import DriveNight
    from transfer.stop import Stop

_NOT_CARRIED = frozenset(
    {
        FindingKind.NOT_PROVEN,
        FindingKind.TOO_LARGE,
        FindingKind.VANISHED,
        FindingKind.LOCKED,
        FindingKind.UNREADABLE,
    }
)

_UNSEEN = frozenset({FindingKind.UNREADABLE, FindingKind.SOURCE_ABSENT})


def night_outcome(night: DriveNight) -> NightOutcome:
    """Say how one night stands on one drive."""
    plan, bag = night.plan, night.bag
    findings = (*plan.noticed, *plan.refused, *night.findings)
    done = night.summary is not None or plan.nothing_to_do
    if not done:
        findings += tuple(_not_listed(night, {found.path for found in findings}))
    proven = _proven(night, findings) if done else plan.there
    carried, carried_bytes = (
        (0, 0) if bag is None or not done else (bag.proofs.proven_count, bag.proofs.proven_bytes)
    )
    return NightOutcome(
        night=plan.night,
        drive=night.drive.name,
        files=plan.files,
        size_bytes=plan.size_bytes,
        proven=proven,
        proven_bytes=plan.size_bytes if done and proven == plan.files else plan.there_bytes + carried_bytes,
        carried=carried,
        carried_bytes=carried_bytes,
        read_back=_weakest(plan.there_from_medium, bag is None or bag.proofs.all_from_medium),
        methods=() if bag is None else tuple(sorted(bag.proofs.methods)),
        summary=night.summary,
        findings=findings,
    )


def _proven(night: DriveNight, findings: Iterable[Finding]) -> int:
    """Count what is proven of a night that came to its end: never more than was seen to be."""
    plan, bag = night.plan, night.bag
    unproven = len({found.path for found in findings if found.kind in _NOT_CARRIED})
    seen = plan.there + (0 if bag is None else bag.proofs.proven_count + len(bag.lists.same))
    return max(min(plan.files - unproven, seen), 0)


def _not_listed(night: DriveNight, told: set[str]) -> Iterator[Finding]:
    """Name what a night that came to no end was to carry: what became of it is not known."""
    error = night.failure or night.full
    reason = "the run ended before" if error is None else error.happened
    for task in night.plan.tasks:
        where = f"{task.file.source}/{task.file.path}"
        if not told & {where, task.path}:
            yield Finding(FindingKind.NOT_PROVEN, reason, where)


def _weakest(*from_medium: bool) -> ReadBack:
    return ReadBack.MEDIUM if all(from_medium) else ReadBack.PERHAPS_MEMORY


def ending(
    began: datetime, ended: datetime, stop: Stop, nights: Sequence[DriveNight], noticed: Sequence[Finding]
) -> SendOutcome:
    """Say how the run stands, whether or not it came to its end. `noticed` is what the sources gave."""
    outcomes = tuple(night_outcome(night) for night in nights)
    unproven = sum(each.files - each.proven for each in outcomes)
    unseen = [found for found in noticed if found.kind in _UNSEEN]
    code = _exit_code(stop, nights, unproven, unseen)
    return SendOutcome(
        exit_code=code,
        message=_message(code, stop, nights, outcomes) + _told_unseen(unseen),
        began=began,
        ended=ended,
        nights=outcomes,
        findings=tuple(noticed),
        next_step=_next_step(code, nights, unproven),
    )


def failed(error: NightferryError, began: datetime, ended: datetime) -> SendOutcome:
    """Give the outcome of a run that ended before anything was written."""
    where = f"{error.path}: " if error.path else ""
    return SendOutcome(error.exit_code, f"{where}{error.happened}.", began, ended, next_step=error.next_step)


def _exit_code(
    stop: Stop, nights: Sequence[DriveNight], unproven: int, unseen: Sequence[Finding]
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
    """Give the code of a run that carried all it saw: there may be files where it could not look."""
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


def _next_step(code: ExitCode, nights: Sequence[DriveNight], unproven: int) -> str:
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


def _message(
    code: ExitCode, stop: Stop, nights: Sequence[DriveNight], outcomes: Sequence[NightOutcome]
) -> str:
    if not outcomes:
        return f"Ended early: {stop.why}." if stop.why else "No file was found in any source."
    proven = sum(each.proven for each in outcomes)
    drives = " and ".join(dict.fromkeys(repr(each.drive) for each in outcomes))
    if code is ExitCode.PROVEN and not any(each.carried for each in outcomes):
        return f"Nothing new to send: all {proven} files were proven on {drives} by an earlier run."
    size = _size(sum(each.proven_bytes for each in outcomes))
    if code is ExitCode.PROVEN:
        return _all_proven(outcomes, f"{proven} files ({size})", drives)
    unproven, reason = sum(each.files for each in outcomes) - proven, _reason(stop, nights)
    if not unproven and code is not ExitCode.STOPPED_EARLY and not reason:
        return _all_proven(outcomes, f"{proven} files ({size})", drives)
    if not unproven and not any(each.carried for each in outcomes) and any(each.failure for each in nights):
        return f"{proven} files ({size}) were proven on {drives} by earlier runs; this one failed.{reason}"
    return f"{proven} files ({size}) are proven on {drives}; {unproven} are not.{reason}"


def _size(size_bytes: int) -> str:
    import humanize  # not loaded where there is nothing new to tell

    return humanize.naturalsize(size_bytes)


def _reason(stop: Stop, nights: Sequence[DriveNight]) -> str:
    error = _first(night.failure or night.full for night in nights)
    if error is not None:
        return f" {error.happened}."
    return f" Ended early: {stop.why}." if stop.why else ""


def _all_proven(outcomes: Sequence[NightOutcome], what: str, drives: str) -> str:
    carried = sum(each.carried for each in outcomes)
    before = sum(each.proven for each in outcomes) - carried
    earlier = f" ({before} of them by an earlier run)" if before > 0 else ""
    if all(each.read_back is ReadBack.MEDIUM for each in outcomes):
        return f"All {what} are on {drives}, read back from the medium and equal{earlier}."
    return f"All {what} are on {drives}, compared, but perhaps from memory{earlier}."
