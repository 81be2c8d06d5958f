"""The receipt: what a person reads at breakfast, on the drive and on the imaging computer."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import humanize

from manifests.bags.paths import shown
from manifests.findings import Finding
from manifests.frames.frame import FrameType, Stage
from transfer.engine.drive import RECEIPT_NAME, Mark
from transfer.engine.medium import ReadBack
from transfer.grouping import grouped
from transfer.jobs.send.glance import glance, headlines
from transfer.jobs.send.outcome import NightOutcome, SendOutcome
from transfer.words import counted, size_told

if TYPE_CHECKING:
    from manifests.bags.summary import Count, Group, Summary

_WIDTH = 78
_FINDINGS_LISTED = 2000
_ORDER = [*FrameType, None]


def unfinished_receipt(began: datetime) -> str:
    """Return what the drive says while a run is at work, and for ever if that run dies."""
    return _page(
        "NOT FINISHED: DON'T PULL THIS DRIVE YET.",
        body=[
            *_paragraph(
                f"A run that began on {_moment(began)} is at work on this drive. If you read this after "
                "the drive was pulled, or the computer was switched off, that run did not come to its end."
            ),
            "",
            *_paragraph(
                "Nothing is lost: the imaging computer still has every file. Plug the drive in there and "
                "run: nightferry send. It proves what is here and carries the rest."
            ),
        ],
    )


def receipt(outcome: SendOutcome, drive: Mark | None = None, *, each_finding: bool = True) -> str:
    """Return the receipt of a run that has ended: the answer at one glance, then all that led to it.

    One that is left on a drive names that drive by its mark: two may have one name. `each_finding` is listed
    at its end, or many as one.
    """
    # A line that starts indented is a command, to be copied as it is.
    glanced = [
        line for each in glance(outcome) for line in ([each] if each.startswith(" ") else _paragraph(each))
    ]
    if drive is not None:
        named = f"This drive is {drive.name!r}, {drive.id}, prepared {drive.prepared:%Y-%m-%d}."
        glanced += _paragraph(named)
    return _page(*headlines(outcome), _of_when(outcome), body=[*glanced, "", *_body(outcome, each_finding)])


def is_said_by(outcome: SendOutcome, lines: Iterable[bytes]) -> bool:
    """Return whether a receipt's lines say what would be said now, also of the nights left behind."""
    text = b"".join(lines).decode("utf-8", "replace")
    title = "".join(f"{line}\n" for each in headlines(outcome) for line in _shown(_paragraph(each)))
    return text.startswith(title) and outcome.nights_passed_by() in " ".join(text.split())  # it is wrapped


def _page(*titles: str, body: Sequence[str]) -> str:
    """Return the page; what no terminal should be sent, and no file can hold, is written out."""
    head = [line for title in titles for line in _paragraph(title)]
    lines = [*head, "=" * max(map(len, head)), "", *body]
    return "\n".join(_shown(lines)) + "\n"


def _shown(lines: Iterable[str]) -> list[str]:
    return [shown(line, len(line)) for line in lines]


def _paragraph(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _moment(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%d at %H:%M:%S} UTC"


def _of_when(outcome: SendOutcome) -> str:
    """Say of which nights the lines above speak, and when that was so: they stay where a later run fails."""
    nights = sorted({night.night for night in outcome.nights})
    when = f"as of {_moment(outcome.ended)}."
    if len(nights) > 1:
        return f"{len(nights)} nights, {nights[0]} to {nights[-1]}, {when}"
    return f"The night of {nights[0]}, {when}" if nights else f"{when[0].upper()}{when[1:]}"


def _took(outcome: SendOutcome) -> str:
    """Return how long the run took, as far as the computer's clock can tell."""
    if outcome.ended < outcome.began:
        return f"ended when the clock, which was set back meanwhile, said {_moment(outcome.ended)}"
    return f"took {humanize.precisedelta(outcome.ended - outcome.began, minimum_unit='seconds', format='%d')}"


def _body(outcome: SendOutcome, each_finding: bool) -> Iterator[str]:
    yield from _paragraph(outcome.message)
    yield from _paragraph(f"The run began on {_moment(outcome.began)} and {_took(outcome)}.")
    for line in outcome.room.lines:
        yield from _paragraph(line)
    for night in outcome.nights:
        yield ""
        yield from _night(night)
    yield from _findings(outcome.all_findings(), "this page" if each_finding else _whole_list(outcome))
    yield ""
    yield from _what_now(outcome)
    if each_finding:
        yield from _every_finding(outcome.all_findings())


def _night(night: NightOutcome) -> Iterator[str]:
    size = size_told(night.proven_bytes)
    yield f"The night of {night.night.isoformat()} on the drive {night.drive!r}"
    proven = "proven  " if night.read_back is ReadBack.MEDIUM else "compared"
    yield f"  {proven}   {night.proven} of {counted(night.files, 'file')}, {size}"
    if 0 < night.carried < night.proven:
        yield f"             {night.carried} by this run, the others by an earlier one"
    if night.proven:
        yield from _paragraph(f"read back  {_read_back(night)}", "  ")
    if night.summary is not None:
        yield from frames_table(night.summary)


def _read_back(night: NightOutcome) -> str:
    if night.read_back is ReadBack.MEDIUM:
        return "from the medium, and equal"
    return "compared, but perhaps from memory: check the drive on another computer"


def frames_table(summary: Summary) -> Iterator[str]:
    """Yield the frames of a night, a line for each type, target and filter, and the number of other files."""
    for group, count in sorted(summary.groups.items(), key=_group_order):
        yield f"  {_group_name(group)}{_count(count)}"
    if summary.unread_frames:
        yield f"  {'without a readable header':<43}{summary.unread_frames:>5}"
    if summary.logs:
        yield f"  {'logs and others':<43}{summary.logs:>5}"


def _group_order(item: tuple[Group, Count]) -> tuple[int, str, str, str]:
    group = item[0]
    made = "" if group.stage is Stage.RAW else group.stage.value
    return _ORDER.index(group.frame_type), made, group.target, group.filter_name


def _group_name(group: Group) -> str:
    kind = group.kind if group.is_raw_light else group.kind.removesuffix(" light")
    return f"{kind:<12} {group.target[:20]:<21}{group.filter_name[:8]:<9}"


def _count(count: Count) -> str:
    minutes = count.exposure_s / 60
    return f"{count.frames:>5}{minutes:>9.1f} min"


def _whole_list(outcome: SendOutcome) -> str:
    """Return which receipt lists every finding: a drive that failed has none of this run."""
    if any(night.failure for night in outcome.nights):
        return f"the receipt that is kept on this computer: {outcome.kept_in}" if outcome.kept_in else ""
    return f"the receipt: {RECEIPT_NAME} on the drive"


def _findings(findings: list[Finding], whole_list: str) -> Iterator[str]:
    if not findings:
        return
    yield ""
    yield f"Worth a look ({len(findings)})"
    told = grouped(findings)
    for each in told:
        yield from _paragraph(each.line, "  ")
    if len(told) < len(findings):
        if whole_list:
            yield from _paragraph(f"Each is listed at the end of {whole_list}", "  ")
        else:
            yield "  nightferry send --all-findings lists each."


def _every_finding(findings: list[Finding]) -> Iterator[str]:
    """Return a list of all findings, where some were told as one; it must not fill the drive."""
    told = grouped(findings, each=True)
    if len(grouped(findings)) == len(told):
        return
    yield ""
    yield f"Every finding ({len(told):,})"
    for each in told[:_FINDINGS_LISTED]:
        yield from _paragraph(each.line, "  ")
    if len(told) > _FINDINGS_LISTED:
        yield f"  and {len(told) - _FINDINGS_LISTED:,} more: nightferry send --json lists all"


def _what_now(outcome: SendOutcome) -> Iterator[str]:
    yield "What to do now"
    if outcome.next_step:
        yield from _paragraph(outcome.next_step, "  ")
    for told in outcome.other_drives():
        yield from _paragraph(told, "  ")
    if outcome.safe_to_pull:
        yield from _paragraph(
            "No read-back can see past the drive's own memory. Before you delete a frame anywhere, plug the "
            "drive into another computer and run: nightferry check PATH-OF-THE-DRIVE",
            "  ",
        )
