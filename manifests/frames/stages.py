"""The stage of a frame: raw from the camera, or made from others (master, stack), or calibrated."""

from __future__ import annotations

import re

from manifests.frames import values
from manifests.frames.cards import CardValue
from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.frame_types import stage_words_of

_COMBINED = re.compile(r"master|super|stack|mean|median|average|integrat|combined|coadd")
_CALIBRATED = re.compile(r"calibrated|reduced")
_MASTER = re.compile(r"master|super")

# What stands in a card of calibration where nothing was applied; from memory.
_NOT_CALIBRATED = frozenset(
    ("", "n", "no", "none", "raw", "omit", "perform", "false", "f", "0", "uncalibrated")
)

# A single colour exposure is one plane with a Bayer matrix; three planes are made from it, or from several.
_COLOUR_PLANES = 3


def stage_of(
    frame_type: FrameType | None,
    stage_words: str = "",
    combined: bool = False,
    calibrated: bool = False,
    planes: int = 1,
) -> Stage:
    """Return the stage that a header's words and cards say; raw where nothing says otherwise.

    `stage_words` are the words for the stage within the header's word for the type; `combined` and
    `calibrated` whether a card says that the frame is made from several, or that bias, dark or flat was
    applied; `planes` the number of images of one exposure. A frame made from several is a master where it
    calibrates others, else a stack, whether or not it is calibrated too.
    """
    several = combined or _COMBINED.search(stage_words) is not None
    if several or (planes == _COLOUR_PLANES and frame_type is FrameType.LIGHT):
        calibrates = frame_type is not None and frame_type is not FrameType.LIGHT
        of_no_type = frame_type is None and _MASTER.search(stage_words) is not None
        return Stage.MASTER if calibrates or of_no_type else Stage.STACK
    if calibrated or _CALIBRATED.search(stage_words):
        return Stage.CALIBRATED
    return Stage.RAW


def known_stage(frame: Frame) -> Stage:
    """Return a frame's stage; where its facts hold none, the one that its word for the type says.

    Entries from before stages were read hold that word.
    """
    return frame.stage or stage_of(frame.frame_type, stage_words_of(frame.image_type or ""))


def says_combined(card: CardValue) -> bool | None:
    """Return True where a card counts more than one exposure; None otherwise, for another card may."""
    count = values.number(card)
    return True if count is not None and count > 1 else None


def says_calibrated(card: CardValue) -> bool | None:
    """Return True where a card says that bias, dark or flat was applied: "BDF", a date, a logical T.

    None otherwise, for another card may say so.
    """
    if isinstance(card.value, bool):
        return card.value or None
    return True if str(card.value).strip().casefold() not in _NOT_CALIBRATED else None
