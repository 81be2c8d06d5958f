"""The answer at one glance: is the night safe, what is on the drive, and what was not carried."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from manifests.frames.frame import FrameType, Stage
from transfer.engine.medium import ReadBack
from transfer.jobs.send.outcome import NightOutcome, SendOutcome, by_drive
from transfer.words import counted

if TYPE_CHECKING:
    from manifests.bags.summary import Group, Summary

NOTHING_SENT = "NOTHING WAS SENT."
_ALL_ELSE = (
    "Nothing is left to carry, as far as this computer knows: all else is from before, on a drive that may "
    "not be here, or in an archive."
)
_TYPE_NOUNS = {
    FrameType.DARK: "dark",
    FrameType.FLAT: "flat",
    FrameType.BIAS: "bias frame",
    FrameType.DARK_FLAT: "dark flat",
}


def headlines(outcome: SendOutcome) -> list[str]:
    """Return a line for each drive: whether the night is safe on it, how much, or why it is not."""
    return [_headline(outcome, drive, nights) for drive, nights in by_drive(outcome.nights).items()] or [
        NOTHING_SENT
    ]


def _headline(outcome: SendOutcome, drive: str, nights: Sequence[NightOutcome]) -> str:
    reason = _not_safe(outcome, nights)
    if reason:
        return f"NOT SAFE ON {drive}: {reason}."
    what = what_is_there(nights)
    if all(night.read_back is ReadBack.MEDIUM for night in nights):
        return f"SAFE ON {drive}: {what}."
    return f"COMPARED ON {drive}, PERHAPS FROM MEMORY: {what}."


def _not_safe(outcome: SendOutcome, nights: Sequence[NightOutcome]) -> str:
    """Say why the drive does not have everything; empty where it has."""
    failure = next((night.failure for night in nights if night.failure is not None), None)
    files = sum(night.files for night in nights)
    unproven = files - sum(night.proven for night in nights)
    why = failure or next((night.full for night in nights if night.full is not None), None)
    if unproven:
        text = f"{unproven:,} of {counted(files, 'file')} {'is' if unproven == 1 else 'are'} not proven"
        return text if why is None else f"{text}. {why.happened}"
    if why is not None:
        return why.happened
    return f"without {outcome.missed}" if outcome.missed else ""


def what_is_there(nights: Sequence[NightOutcome]) -> str:
    """Count frames and logs; a last night that left only logs is named as that, and counted apart."""
    last = max(nights, key=lambda night: night.night)
    if not last.files or last.frames:
        return _counted(nights)
    text = f"NO FRAMES TONIGHT, {counted(last.files, 'log')}"
    earlier = [night for night in nights if night.night != last.night and night.files]
    return f"{text}; of earlier nights {_counted(earlier)}" if earlier else text


def _counted(nights: Sequence[NightOutcome]) -> str:
    frames = sum(night.frames for night in nights)
    logs = sum(night.files for night in nights) - frames
    parts = [counted(frames, "frame")] if frames else []
    parts += [counted(logs, "log")] if logs else []
    text = " and ".join(parts) or "no file"
    if len({night.night for night in nights}) > 1:
        text += f" of {counted(len({night.night for night in nights}), 'night')}"
    return text


def glance(outcome: SendOutcome) -> Iterator[str]:
    """Yield what was carried, night by night, how it was read back, and what was not carried."""
    several = len({night.place for night in outcome.nights}) > 1
    for night in outcome.nights:
        where = f" on {night.drive!r}" if several else ""
        yield f"{night.night.isoformat()}{where}  {_what_of(night)}"
    if any(night.proven for night in outcome.nights):
        yield read_back([night for night in outcome.nights if night.proven])
        yield from ways_out(outcome.nights)
    missed = [f"Not carried: {outcome.missed}."] if outcome.missed else []
    left = [outcome.nights_passed_by()] if outcome.left_behind else []
    unproven = any(night.proven < night.files for night in outcome.nights)
    is_known = outcome.waiting is not None and not any(night.failure for night in outcome.nights)
    yield from missed + left or ([_ALL_ELSE] if is_known and not unproven else [])


def _what_of(night: NightOutcome) -> str:
    if night.summary is not None and night.proven == night.files:
        return _what_is_in(night.summary)
    logs = night.files - night.frames
    text = f"{counted(night.frames, 'frame')} and {counted(logs, 'log')}"
    if night.proven < night.files:
        return f"{text}, of which {night.proven:,} are proven"
    return text if night.carried else f"{text}, by an earlier run"


def _what_is_in(summary: Summary) -> str:
    """Return frames by target and filter, other types by number, and logs."""
    lights: dict[str, list[str]] = defaultdict(list)
    others: list[str] = []
    for group, count in sorted(
        summary.groups.items(), key=lambda item: (item[0].target, item[0].filter_name)
    ):
        if group.is_raw_light:
            lights[group.target].append(f"{group.filter_name or 'no filter'} {count.frames:,}")
    by_type: dict[str, int] = defaultdict(int)
    for group, count in summary.groups.items():
        if not group.is_raw_light:
            by_type[_noun_of(group)] += count.frames
    others += [counted(number, kind) for kind, number in sorted(by_type.items())]
    others += [_without_header(summary.unread_frames)] if summary.unread_frames else []
    others += [counted(summary.logs, "log")] if summary.logs else []
    targets = [f"{target}: {', '.join(filters)}" for target, filters in lights.items()]
    return "; ".join([*targets, *([", ".join(others)] if others else [])]) or "nothing"


def _noun_of(group: Group) -> str:
    if group.frame_type is None:
        return "other frame"
    return _TYPE_NOUNS.get(group.frame_type, group.kind) if group.stage is Stage.RAW else group.kind


def _without_header(number: int) -> str:
    return f"{counted(number, 'frame')} without a readable header"


def ways_out(nights: Sequence[NightOutcome]) -> Iterator[str]:
    """Yield the commands after which copies are read from the medium, each as a line that starts indented."""
    for remedy in dict.fromkeys(remedy for night in nights for remedy in night.remedies):
        yield (
            "To have them read from the medium, let this user read this device, and no other, with the "
            "command below; then plug the drive in again. (The group disk would do, and opens every disk.)"
        )
        yield f"  {remedy}"


def read_back(nights: Sequence[NightOutcome]) -> str:
    """Say how the copies were read back."""
    if all(night.read_back is ReadBack.MEDIUM for night in nights):
        return "Read back from the medium, and equal."
    how = "; ".join(dict.fromkeys(method for night in nights for method in night.methods))
    because = f" ({how})" if how else ""
    return f"Compared, but perhaps from memory{because}: check the drive on another computer."
