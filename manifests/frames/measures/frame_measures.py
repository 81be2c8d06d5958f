"""The measures of one frame: its sky background, and the number, size and shape of its stars."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.stages import known_stage

METHOD = 1
"""The number of the way in which frames are measured: measures made in another way are made anew."""

# Seconds of arc in a radian, for a pixel in micrometres and a focal length in millimetres.
ARCSEC_PER_UM_PER_MM = 206.26480624709636


@dataclass(frozen=True, slots=True)
class FrameMeasures:
    """What was measured on a frame's pixels; `None` for what was not, or could not be.

    `background_adu` is the median level of the sky and `noise_adu` its noise in one pixel. `stars` counts the
    stars that stand out of the noise. `size_px` is their median full width at half maximum, in pixels of the
    whole frame. `elongation`, 1 or more, is the ratio of the axes of what their shapes have in common, and
    `elongation_deg`, 0 to 180, the direction of its longer axis, from the first axis of the image (to the
    right) towards the second: what points every way at random, or outwards from the middle, has no common
    direction, and is not elongated in this sense. `saturated_px` counts the pixels at the level at which the
    values are cut off, 0 where none are. `why_not` says why a frame could not be measured, and is empty for
    one that could.
    """

    background_adu: float | None = None
    noise_adu: float | None = None
    stars: int | None = None
    size_px: float | None = None
    elongation: float | None = None
    elongation_deg: float | None = None
    saturated_px: int | None = None
    why_not: str = ""


def arcsec_per_px(frame: Frame) -> float | None:
    """Return the scale of a frame, seconds of arc a pixel, or None where its header does not say it.

    The pixel size is taken as that of the binned pixel, as the headers' common practice has it.
    """
    if not (frame.pixel_um and frame.focal_length_mm) or min(frame.pixel_um, frame.focal_length_mm) < 0:
        return None
    scale = ARCSEC_PER_UM_PER_MM * frame.pixel_um / frame.focal_length_mm
    return scale if isfinite(scale) else None


def has_stars(frame: Frame) -> bool:
    """Return whether the stars of a frame are measured: raw lights, and raw frames of no known type."""
    return is_measured(frame) and frame.frame_type in (FrameType.LIGHT, None)


def is_measured(frame: Frame) -> bool:
    """Return whether a frame is measured at all: raw frames are.

    Of calibration frames only the level, its noise and the saturation are. Masters, stacks and calibrated
    frames have other levels and other noise than what came from the camera.
    """
    return known_stage(frame) is Stage.RAW
