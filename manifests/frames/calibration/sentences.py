"""What was matched and why, and what is missing, in words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from manifests.frames.calibration.choosing import count, nights_apart
from manifests.frames.calibration.criteria import CLOSE, agreement_of, differing
from manifests.frames.calibration.setups import Group, Setup
from manifests.frames.calibration.showing import shown, shown_together
from manifests.frames.frame import FrameType

# What a frame of each type is asked for by.
_ASKED_BY: Mapping[FrameType, tuple[str, ...]] = {
    FrameType.DARK: ("exposure", "gain", "sensor temperature"),
    FrameType.DARK_FLAT: ("exposure", "gain", "sensor temperature"),
    FrameType.BIAS: ("camera", "gain", "offset"),
    FrameType.FLAT: ("filter", "telescope", "rotation"),
}


def several(kind: FrameType) -> str:
    """Return the plural: "darks", "flats", "dark flats", "bias frames", "lights"."""
    return "bias frames" if kind is FrameType.BIAS else f"{kind.value}s"


def _single(kind: FrameType) -> str:
    return "bias frame" if kind is FrameType.BIAS else kind.value


def described(kind: FrameType, needs: Sequence[Setup]) -> str:
    """Return what frames of a type are asked for by: "300 s, gain 100, −10 °C"."""
    parts = (shown_together(fact, needs) for fact in _ASKED_BY[kind])
    return ", ".join(part for part in parts if part) or "what no header says"


def camera_of(needs: Sequence[Setup]) -> str:
    """Return the camera of some needs, or all of theirs: "camera Lantern 26M"; empty where none is known."""
    return shown_together("camera", needs) or ""


def exposure_unknown(kind: FrameType) -> str:
    """Return the sentence that nothing can be chosen without an exposure."""
    of = several(FrameType.FLAT if kind is FrameType.DARK_FLAT else FrameType.LIGHT)
    return f"no {kind.value} can be chosen: the exposure of the {of} is not known"


def missing(kind: FrameType, need: Setup, nearest: Setup | None) -> str:
    """Return what is missing: "no dark for 300 s, gain 100, −10 °C; nearest 180 s"."""
    head = none(kind, [need])
    if nearest is None:
        return f"{head}; there are no {several(kind)}"
    agreeing = differing(kind, agreement_of(kind, need), agreement_of(kind, nearest))
    close = [fact.name for fact in CLOSE[kind]]
    (wanted,), (had,) = _as_compared([need], [nearest])
    parts = [_instead(kind, fact, wanted, had) for fact in (*agreeing, *close)]
    return f"{head}; nearest {', '.join(part for part in parts if part)}"


def none(kind: FrameType, needs: Sequence[Setup]) -> str:
    """Return the sentence that nothing fits: "no dark flat for 0.4 to 2.2 s, gain 100, −10 °C"."""
    return f"no {kind.value} for {described(kind, needs)}"


def _instead(kind: FrameType, fact: str, need: Setup, nearest: Setup) -> str | None:
    wanted, had = shown_together(fact, [need], named=False), shown(fact, nearest)
    if had is None or shown(fact, need) == had:
        return None
    return had if wanted is None or fact in _ASKED_BY[kind] else f"{had} instead of {wanted}"


def stands_in(kind: FrameType) -> str:
    """Return what stands in for what is missing."""
    return f"; the {several(kind)} stand in for them, as is common practice"


def too_far_in_time(kind: FrameType, need: Setup, nearest: Setup) -> str:
    """Return the sentence that the nearest frames that would fit are too many nights away."""
    away = _nights_away([need], [nearest])
    return f"no {kind.value} for {described(kind, [need])} near {need.night}; nearest {nearest.night}{away}"


def serves_as(kind: FrameType) -> str:
    """Return the remark that frames of another type are taken: "they serve as dark flats"."""
    return f"they serve as {several(kind)}"


def passed_over(kind: FrameType, groups: Sequence[Group], least_count: int) -> Iterator[str]:
    """Yield the remark that a nearer set has too few frames, where there is one."""
    if groups:
        setups = [group.setup for group in groups]
        facts = dict.fromkeys(fact.name for fact in CLOSE[kind])
        shown_facts = [part for fact in facts if (part := shown_together(fact, setups))]
        what = ", ".join([_counted(kind, groups), *shown_facts, nights_of(setups)])
        yield f"passed over: {what}, nearer but fewer than {least_count}"


def one_temperature(groups: Sequence[Group], sets: Sequence[Group]) -> Iterator[str]:
    """Yield the remark that one of several temperatures was taken for a need whose own is not known."""
    if sets:
        every = shown_together("sensor temperature", [group.setup for group in sets])
        taken = shown_together("sensor temperature", [group.setup for group in groups])
        yield f"of the sets at {every}, that at {taken} has the most frames"


def matched(
    kind: FrameType,
    taken: FrameType,
    needs: Sequence[Setup],
    groups: Sequence[Group],
    not_checked: Sequence[str],
) -> str:
    """Return what was taken and why: "40 darks, 300 s, gain 100, −10 °C, of 2026-02-01 (41 nights before)".

    `taken` is the type of the frames, `kind` what they are taken as.
    """
    needs, setups = _as_compared(needs, [group.setup for group in groups])
    facts = dict.fromkeys((*_ASKED_BY[kind], *(fact.name for fact in CLOSE[kind])))
    parts = [_counted(taken, groups)]
    parts += [part for fact in facts if (part := _for(fact, needs, setups))]
    parts.append(f"{nights_of(setups)}{_nights_away(needs, setups)}")
    text = ", ".join(parts)
    if _turned_over(needs, setups):
        text += "; turned by 180°, as a mount does across the meridian"
    return f"{text}; not checked: {', '.join(not_checked)}" if not_checked else text


def _counted(kind: FrameType, groups: Sequence[Group]) -> str:
    number = count(groups)
    return f"{number} {several(kind) if number > 1 else _single(kind)}"


def nights_of(setups: Iterable[Setup]) -> str:
    """Return the nights of setups: "of 2026-02-01", "of 2026-02-01 to 2026-02-03"."""
    nights = sorted({setup.night for setup in setups if setup.night is not None})
    if not nights:
        return "night not known"
    return f"of {nights[0]}" if len(nights) == 1 else f"of {nights[0]} to {nights[-1]}"


def _for(fact: str, needs: Sequence[Setup], setups: Sequence[Setup]) -> str | None:
    had, wanted = shown_together(fact, setups), shown_together(fact, needs, named=False)
    if had is None or wanted is None or had == shown_together(fact, needs):
        return had
    return f"{had} for {wanted}"


def _nights_away(needs: Sequence[Setup], setups: Sequence[Setup]) -> str:
    """Return how far the nearest of the nights taken is from each night that needs them."""
    taken = [Setup(night=night) for night in {setup.night for setup in setups}]
    wanted = [Setup(night=night) for night in {need.night for need in needs}]
    nearest = [_least(nights_apart(need, have) for have in taken) for need in wanted]
    away = [nights for nights in nearest if nights is not None]
    if not away:
        return ""
    furthest = max(away, key=abs)
    nearest_of = "nearest " if len(taken) > 1 else ""
    if furthest == 0:
        return f" ({nearest_of}the same night)"
    nights = f"{'up to ' if len(away) > 1 else ''}{abs(furthest)} night{'s' if abs(furthest) > 1 else ''}"
    return f" ({nearest_of}{nights} {'before' if furthest < 0 else 'after'})"


def _least(apart: Iterable[int | None]) -> int | None:
    return min((nights for nights in apart if nights is not None), key=abs, default=None)


def _as_compared(needs: Sequence[Setup], setups: Sequence[Setup]) -> tuple[list[Setup], list[Setup]]:
    """Return both without the rotator's angle unless every one of them has it, and is compared by it."""
    if all(setup.rotator_deg is not None for setup in (*needs, *setups)):
        return list(needs), list(setups)
    return [replace(need, rotator_deg=None) for need in needs], [replace(s, rotator_deg=None) for s in setups]


def _turned_over(needs: Sequence[Setup], setups: Sequence[Setup]) -> bool:
    """Return whether flats are from the other side of the meridian, where a rotator stays as it is."""
    if any(setup.rotator_deg is not None for setup in (*needs, *setups)):
        return False
    wanted = {need.rotation_deg for need in needs if need.rotation_deg is not None}
    had = {setup.rotation_deg for setup in setups if setup.rotation_deg is not None}
    return any(abs((have - need + 180) % 360 - 180) > 90 for need in wanted for have in had)
