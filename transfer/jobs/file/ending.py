"""How a run of `file` stands: its exit code, its one line, and what to do next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from transfer.archive.as_proven import Damage
from transfer.errors import DoesNotFit, ExitCode, NightferryError
from transfer.jobs.file.account import DeliveryResult
from transfer.jobs.file.deliveries import PassedOver
from transfer.jobs.file.outcome import Absent, ArchiveOutcome, FileOutcome
from transfer.words import in_quotes, size_told


def failed(error: NightferryError, archive_folder: str = "") -> FileOutcome:
    """Return the outcome of a run that ended before a file was read."""
    where = f"{error.path}: " if error.path else ""
    return FileOutcome(error.exit_code, f"{where}{error.happened}.", error.next_step, archive_folder)


def exit_code(
    deliveries: Sequence[DeliveryResult],
    failure: NightferryError | None,
    full: Sequence[DoesNotFit],
    *,
    stopped: bool,
    in_doubt: bool,
) -> ExitCode:
    """Return the exit code. `in_doubt`: something could not be looked at, or is damaged in the archive."""
    if failure is not None:
        return failure.exit_code
    if full:
        return ExitCode.DOES_NOT_FIT
    if stopped:
        return ExitCode.STOPPED_EARLY
    wrong = any(delivery.refused or delivery.faults for delivery in deliveries)
    return ExitCode.SOMETHING_UNPROVEN if wrong or in_doubt else ExitCode.PROVEN


_WORST_FIRST = (
    ExitCode.WRONG_USE,
    ExitCode.NOT_THERE,
    ExitCode.DOES_NOT_FIT,
    ExitCode.BUSY,
    ExitCode.STOPPED_EARLY,
    ExitCode.SOMETHING_UNPROVEN,
)


def whole_exit_code(archives: Sequence[ArchiveOutcome], absent: Sequence[Absent]) -> ExitCode:
    """Return the exit code of a run into several archives; one that is away is told, and is no fault."""
    codes = {archive.exit_code for archive in archives}
    codes |= {each.error.exit_code for each in absent if not each.is_away}
    return next((code for code in _WORST_FIRST if code in codes), ExitCode.PROVEN)


def lines_of_each(archives: Sequence[ArchiveOutcome], absent: Sequence[Absent]) -> list[str]:
    """Return what came of each archive, a line each, under its name where there are several."""
    if len(archives) == 1 and not absent:
        return [archives[0].message]
    lines = [f"{archive.name}: {archive.message}" for archive in archives]
    for each in absent:
        is_away = "not here, and without these nights" if each.is_away else "nothing was filed into it"
        lines.append(f"{each.name}: {is_away}. {each.error.happened}: {each.folder}")
    return lines


def whole_next_step(archives: Sequence[ArchiveOutcome], absent: Sequence[Absent]) -> str:
    """Return what to do next: the first archive's word, else how one that is away catches up."""
    steps = [
        *(archive.next_step for archive in archives),
        *(each.error.next_step for each in absent if not each.is_away),
    ]
    away = next((each for each in absent if each.is_away), None)
    if away is not None and archives:
        names = f"--from-archive {in_quotes(archives[0].name)} --archive {in_quotes(away.name)}"
        steps.append(f"Once {away.name} is here, it catches up with: nightferry file {names}")
    return next((step for step in steps if step), "")


def message(
    deliveries: Sequence[DeliveryResult],
    code: ExitCode,
    why: str,
    *,
    from_medium: bool,
    unseen: int = 0,
    damage: Sequence[Damage] = (),
) -> str:
    """Return in one line what came of it: `why` it ended before its time, what could not be looked at."""
    filed = sum(delivery.filed for delivery in deliveries)
    there = sum(delivery.already_there for delivery in deliveries)
    refused = sum(delivery.refused for delivery in deliveries)
    if unseen:
        places = "1 place" if unseen == 1 else f"{unseen} places"
        why = f"{places} could not be looked at{f'. {why}' if why else ''}"
    if not filed + there + refused:
        return f"Nothing was filed: {why}." if why else "There is nothing to file."
    told = [_filed(filed, sum(delivery.filed_bytes for delivery in deliveries), from_medium)] if filed else []
    if there:
        nothing_new = f"Nothing new: {'all' if there > 1 else 'the'} "
        all_of_them = nothing_new if not filed and code is ExitCode.PROVEN else ""
        told.append(f"{all_of_them}{_many(there)} {'were' if there > 1 else 'was'} in the archive already")
    if refused:
        told.append(f"{_many(refused)} {'are' if refused > 1 else 'is'} not filed")
    line = " ".join(("; ".join(told) + ".", *_damaged(damage)))
    return f"{line} {why[:1].upper()}{why[1:]}." if why else line


def _damaged(damage: Sequence[Damage]) -> Iterator[str]:
    """Yield sentences on what was found damaged in the archive."""
    mended = sum(each.mended for each in damage)
    if mended:
        yield f"{_many(mended)} in the archive had changed since, and {_was(mended)} filed anew."
    if left := len(damage) - mended:
        yield f"{_many(left)} in the archive had changed since, and {_was(left)} not filed anew."


def _was(count: int) -> str:
    return "was" if count == 1 else "were"


def _filed(count: int, size_bytes: int, from_medium: bool) -> str:
    proven = "read back from the medium and equal" if from_medium else "compared, but perhaps from memory"
    return f"{_many(count)} ({size_told(size_bytes)}) filed, {proven}"


def _many(count: int) -> str:
    return "1 file" if count == 1 else f"{count} files"


def planned_message(deliveries: Sequence[DeliveryResult], why: str = "") -> str:
    """Return in one line what a run would do, and why it could not."""
    would = sum(delivery.would_be_filed for delivery in deliveries)
    there = sum(delivery.already_there for delivery in deliveries)
    refused = sum(delivery.refused for delivery in deliveries)
    told = [f"{_many(would)} would be filed"]
    if there:
        told.append(f"{there} {'are' if there > 1 else 'is'} in the archive already")
    if refused:
        told.append(f"{refused} would not be filed")
    line = "Nothing was written: " + "; ".join(told) + "."
    return f"{line} {why[:1].upper()}{why[1:]}." if why else line


def next_step(
    code: ExitCode,
    deliveries: Sequence[DeliveryResult],
    failure: NightferryError | None,
    full: Sequence[DoesNotFit],
    passed_over: Sequence[PassedOver] = (),
) -> str:
    """Return what to do next."""
    if failure is not None:
        return failure.next_step
    if full:
        return full[0].next_step
    if code is ExitCode.STOPPED_EARLY:
        return "File again: what is in the archive stays there, and the rest is filed."
    if any(delivery.has_left for delivery in deliveries):
        return "Plug the drive in again, then file again: what is filed stays, and the rest is filed."
    if any(delivery.refused and delivery.delivery.drive_id for delivery in deliveries):
        return "Keep the drive as it is: what is not filed is listed. Send it again, then file again."
    if any(delivery.refused for delivery in deliveries):
        return "What is not filed is listed; the rest is in the archive."
    if any(delivery.faults for delivery in deliveries):
        return "Look at what is listed before the drive is used again."
    return f"To file it as well: {passed_over[0].command}" if passed_over else ""


def drives_passed_over(drives: Sequence[PassedOver]) -> str:
    """Return which connected drives were not filed, since the configuration names others; empty for none."""
    if not drives:
        return ""
    names = " and ".join(repr(drive.name) for drive in drives)
    them, were = ("it", "was") if len(drives) == 1 else ("them", "were")
    return f"{names} {were} passed over: no [[drive]] names {them}"
