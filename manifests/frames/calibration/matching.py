"""The calibration frames of an archive, and those of them that fit a setup."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from manifests.frames.calibration import sentences
from manifests.frames.calibration.choosing import choose
from manifests.frames.calibration.criteria import CLOSE, only_relevant
from manifests.frames.calibration.fitting import Fits, Shelves
from manifests.frames.calibration.setups import FiledFrame, Group, Setup, grouped
from manifests.frames.calibration.tolerances import Tolerances
from manifests.frames.frame import FrameType

CALIBRATION = (FrameType.DARK, FrameType.FLAT, FrameType.DARK_FLAT, FrameType.BIAS)


@dataclass(frozen=True, slots=True)
class Match:
    """The frames that fit a `need`, as groups of one setup each.

    `not_checked` names the facts that no header gives, `remarks` are sentences on the choice. `taken_from`
    is the type of the frames where it is not the `kind` that they serve as.
    """

    kind: FrameType
    need: Setup
    groups: tuple[Group, ...]
    not_checked: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    taken_from: FrameType | None = None

    @property
    def paths(self) -> tuple[str, ...]:
        """The paths of all frames that fit."""
        return tuple(path for group in self.groups for path in group.paths)

    @property
    def why(self) -> str:
        """What was taken and why, in words."""
        return self.why_for([self.need])

    def why_for(self, needs: Sequence[Setup]) -> str:
        """Return in words what was taken, and why, for several setups that get this answer."""
        taken = self.taken_from or self.kind
        text = sentences.matched(self.kind, taken, needs, self.groups, self.not_checked)
        return "; ".join((text, *self.remarks))


@dataclass(frozen=True, slots=True)
class Missing:
    """Nothing fits: the sentence (`why`) that says so, and the setup that comes nearest, if any."""

    kind: FrameType
    why: str
    nearest: Setup | None = None


class Library:
    """Answers which calibration frames fit a setup.

    Frames are put together by setup and each question is answered once, so that thousands of lights
    against thousands of calibration frames take little time.
    """

    def __init__(self, frames: Iterable[FiledFrame], tolerances: Tolerances | None = None) -> None:
        self._tolerances = tolerances or Tolerances()
        groups = grouped(_as_compared(frame) for frame in frames if frame.frame_type in CALIBRATION)
        self._shelves = {kind: Shelves(kind, groups.get(kind, ()), self._tolerances) for kind in CALIBRATION}
        # Darks that fit the flats are dark flats in all but name.
        darks = groups.get(FrameType.DARK, ())
        self._darks_for_flats = Shelves(FrameType.DARK_FLAT, darks, self._tolerances)
        self._answers: dict[tuple[FrameType, Setup], Match | Missing] = {}

    def match(self, kind: FrameType, need: Setup) -> Match | Missing:
        """Return the frames of a type (any but LIGHT) that fit a setup, or what is missing.

        Darks, bias and flats fit the setup of a light; dark flats (and bias) that of the flats. Of
        several that fit: those with the fewest facts unknown, then the nearest exposure, night and
        temperature, unless a set that is not much farther has more frames (`choose`). Without dark flats,
        darks that fit the flats serve as such.
        """
        asked = (kind, only_relevant(kind, need))
        if asked not in self._answers:
            self._answers[asked] = self._match(*asked)
        return self._answers[asked]

    def is_calibrated(self, group: Group) -> bool:  # noqa: ARG002 - as masters answer it
        """Return whether frames need no calibration themselves: raw ones do."""
        return False

    def _match(self, kind: FrameType, need: Setup) -> Match | Missing:
        if any(fact.required and fact.value(need) is None for fact in CLOSE[kind]):
            return Missing(kind, sentences.exposure_unknown(kind))
        fits = self._shelves[kind].fits(need)
        if fits.groups:
            return self._chosen(kind, need, fits)
        if kind is FrameType.DARK_FLAT:
            darks = self._darks_for_flats.fits(need)
            if darks.groups:
                return self._chosen(kind, need, darks, FrameType.DARK)
        nearest = self._shelves[kind].nearest(need)
        return Missing(kind, sentences.missing(kind, need, nearest), nearest)

    def _chosen(
        self, kind: FrameType, need: Setup, fits: Fits, taken_from: FrameType | None = None
    ) -> Match | Missing:
        choice = choose(kind, need, fits.groups, self._tolerances)
        if not choice.groups:
            nearest = fits.groups.nearest(need.night).setup
            return Missing(kind, sentences.too_far_in_time(kind, need, nearest), nearest)
        taken, least = taken_from or kind, self._tolerances.least_count
        remarks = [
            *([] if taken_from is None else [sentences.serves_as(kind)]),
            *sentences.passed_over(taken, fits.passed_over, least),
            *sentences.passed_over(taken, choice.passed_over, least),
            *sentences.one_temperature(choice.groups, choice.temperatures),
        ]
        return Match(kind, need, choice.groups, fits.not_checked, tuple(remarks), taken_from)


def _as_compared(frame: FiledFrame) -> FiledFrame:
    """Leave out of a frame's setup what makes no difference, so that it doesn't split groups.

    A flat keeps everything: its own dark flats and bias are matched to it.
    """
    if frame.frame_type is FrameType.FLAT:
        return frame
    return replace(frame, setup=only_relevant(frame.frame_type, frame.setup))
