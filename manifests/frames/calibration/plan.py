"""What a set of lights needs: one row for each answer, for the table of what was matched and why."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from typing import Any, Protocol

from manifests.frames.calibration import sentences
from manifests.frames.calibration.criteria import only_relevant
from manifests.frames.calibration.matching import Match, Missing
from manifests.frames.calibration.setups import FiledFrame, Group, Setup, grouped
from manifests.frames.frame import FrameType

# A dark holds the bias of its light, and for the short exposures of flats bias does for dark flats:
# common practice.
_STANDS_IN = {
    (FrameType.LIGHT, FrameType.BIAS): FrameType.DARK,
    (FrameType.FLAT, FrameType.BIAS): FrameType.DARK_FLAT,
    (FrameType.FLAT, FrameType.DARK_FLAT): FrameType.BIAS,
}


class Answering(Protocol):
    """Answers which calibration frames fit a setup."""

    def match(self, kind: FrameType, need: Setup) -> Match | Missing:
        """Return the frames of a type that fit a setup, or what is missing."""

    def is_calibrated(self, group: Group) -> bool:
        """Return whether frames need no calibration themselves."""


@dataclass(frozen=True, slots=True)
class Row:
    """One answer: `frames` (lights or flats, `of`) taken as `described` need frames of a `kind`.

    `matched` are the paths of those that fit, and `why` says why these, or what is missing.
    `missing` is true where none fits and nothing else stands in.
    """

    of: FrameType
    described: str
    frames: tuple[str, ...]
    kind: FrameType
    matched: tuple[str, ...]
    why: str
    missing: bool

    def as_json(self) -> dict[str, Any]:
        """Return the row as `--json` prints it."""
        return {
            "of": self.of.value,
            "described": self.described,
            "frames": list(self.frames),
            "kind": self.kind.value,
            "matched": list(self.matched),
            "why": self.why,
            "missing": self.missing,
        }


def plan_calibration(lights: Iterable[FiledFrame], library: Answering) -> list[Row]:
    """Return the rows for a set of lights: their darks, flats and bias, then those of the flats.

    Lights that get the same answer share a row, and so do all for whose frames the same ones stand in.
    Frames of other types among `lights` are left out.
    """
    needs = grouped(lights).get(FrameType.LIGHT, [])
    flats = _shared_answers(FrameType.LIGHT, needs, FrameType.FLAT, library)
    taken = dict.fromkeys(group for flat in flats for group in flat.taken)
    chosen = [group for group in taken if not library.is_calibrated(group)]
    answers = [
        *_shared_answers(FrameType.LIGHT, needs, FrameType.DARK, library),
        *flats,
        *_shared_answers(FrameType.LIGHT, needs, FrameType.BIAS, library),
        *_shared_answers(FrameType.FLAT, chosen, FrameType.DARK_FLAT, library),
        *_shared_answers(FrameType.FLAT, chosen, FrameType.BIAS, library),
    ]
    name_cameras = len({need.setup.camera for need in needs}) > 1
    return [_row(answer, name_cameras) for answer in answers]


@dataclass(frozen=True, slots=True)
class _Shared:
    """One answer and all groups of lights, or flats, that get it."""

    of: FrameType
    needs: list[Group]
    answer: Match | Missing
    stand_in: FrameType | None

    @property
    def taken(self) -> tuple[Group, ...]:
        return self.answer.groups if isinstance(self.answer, Match) else ()


def _shared_answers(
    of: FrameType, needs: Iterable[Group], kind: FrameType, library: Answering
) -> list[_Shared]:
    shared: dict[Hashable, _Shared] = {}
    for need in needs:
        answer = library.match(kind, need.setup)
        stand_in = _stand_in(of, need, answer, library)
        same = stand_in or answer.why if isinstance(answer, Missing) else _identity(answer)
        shared.setdefault(same, _Shared(of, [], answer, stand_in)).needs.append(need)
    return list(shared.values())


def _identity(answer: Match) -> Hashable:
    # The groups are the library's own: which they are says as much as all that is in them, sooner.
    return tuple(map(id, answer.groups)), answer.not_checked, answer.remarks


def _stand_in(of: FrameType, need: Group, answer: Match | Missing, library: Answering) -> FrameType | None:
    other = _STANDS_IN.get((of, answer.kind))
    if other is None or isinstance(answer, Match):
        return None
    return other if isinstance(library.match(other, need.setup), Match) else None


def _row(shared: _Shared, name_cameras: bool) -> Row:
    answer, kind = shared.answer, shared.answer.kind
    setups = list(dict.fromkeys(only_relevant(kind, need.setup) for need in shared.needs))
    if isinstance(answer, Match):
        why = answer.why_for(setups)
    elif shared.stand_in is None:
        why = answer.why
    else:
        missing = answer.why if len(setups) == 1 else sentences.none(kind, setups)
        why = missing + sentences.stands_in(shared.stand_in)
    asked_for = sentences.described(kind, setups)
    camera = sentences.camera_of([need.setup for need in shared.needs]) if name_cameras else ""
    if camera and camera not in asked_for:
        asked_for = f"{camera}, {asked_for}"
    return Row(
        of=shared.of,
        described=f"{asked_for}, {sentences.nights_of(setups)}",
        frames=tuple(path for need in shared.needs for path in need.paths),
        kind=kind,
        matched=tuple(path for group in shared.taken for path in group.paths),
        why=why,
        missing=isinstance(answer, Missing) and shared.stand_in is None,
    )
