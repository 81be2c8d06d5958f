"""The pixels of a frame's file, as one plane of numbers that can be measured."""

from __future__ import annotations

import gzip
import io
import warnings
from dataclasses import dataclass
from math import prod
from typing import TYPE_CHECKING, Any

from manifests.frames.unpacking import GZIP_MAGIC

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Plane = NDArray[np.float32]

MOST_PIXELS = 400_000_000
"""No camera of an amateur has so many; memory for them may not be there."""
_MOST_UNPACKED_BYTES = 8 * MOST_PIXELS
_LEAST_SIDE_PX = 32
_MOST_WITHOUT_VALUE = 0.5
_COLOURS = 3
# So many rows are converted at once, which bounds what is in memory beside the plane itself.
_ROWS_AT_ONCE = 256
# As many pixels are enough to know about what level they have.
_SAMPLED = 10_000
# What is cut off has one value in many pixels; the brightest of a star's pixels has it alone.
_LEAST_CUT_OFF_PX = 4


class NotMeasurable(Exception):
    """A frame that cannot be measured; the text says why, for a person."""


@dataclass(frozen=True, slots=True)
class Pixels:
    """One plane of a frame: `values` plus `level_adu` are its pixels, in rows.

    `level_adu` is about the level of most of them, so that 32-bit values keep their last digits.
    `without_value` marks pixels that have none (their `values` are 0), or is None where all have one.
    `saturated_px` pixels have the value at which all are cut off, `cut_off` (less the level); there is none
    where no pixels are.
    """

    values: Plane
    level_adu: float
    without_value: NDArray[np.bool_] | None = None
    saturated_px: int = 0
    cut_off: float | None = None


def image_in(content: bytes) -> NDArray[Any]:
    """Return the first image of a FITS file's content, plain, gzipped or tile-compressed, height × width.

    Of three colours, the second (green). Raises NotMeasurable.
    """
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # an odd header was found when the frame was inspected
        try:
            with fits.open(io.BytesIO(_unpacked(content)), ignore_missing_simple=True) as hdus:
                return _plane(_image_of(hdus))
        except NotMeasurable:
            raise
        except Exception as error:  # astropy and its decoders raise what they please on damaged files
            raise NotMeasurable(f"its pixels cannot be read ({type(error).__name__})") from error


def _unpacked(content: bytes) -> bytes:
    if not content.startswith(GZIP_MAGIC):
        return content
    with gzip.open(io.BytesIO(content)) as packed:
        unpacked = packed.read(_MOST_UNPACKED_BYTES + 1)
    if len(unpacked) > _MOST_UNPACKED_BYTES:
        raise NotMeasurable("it is larger unpacked than any frame")
    return unpacked


def _image_of(hdus: Any) -> NDArray[Any]:
    for hdu in hdus:
        if hdu.is_image and hdu.shape and prod(hdu.shape):
            if prod(hdu.shape) > MOST_PIXELS:
                raise NotMeasurable(f"its header says {prod(hdu.shape):,} pixels")
            image: NDArray[Any] = hdu.data
            return image
    raise NotMeasurable("there is no image in it")


def _plane(image: NDArray[Any]) -> NDArray[Any]:
    while image.ndim > 2 and image.shape[0] == 1:
        image = image[0]
    if image.ndim == _COLOURS and image.shape[0] == _COLOURS:
        image = image[1]
    if image.ndim != 2:
        raise NotMeasurable(f"its image has {image.ndim} axes")
    return image


def pixels_of(image: NDArray[Any]) -> Pixels:
    """Return an image as numbers that can be measured. Raises NotMeasurable.

    The image has one plane, of any kind of numbers and order of bytes.
    """
    import numpy as np

    if min(image.shape) < _LEAST_SIDE_PX:
        raise NotMeasurable(f"it has only {image.shape[1]} × {image.shape[0]} pixels")
    level_adu = _level(image)
    values = np.empty(image.shape, np.float32)
    with np.errstate(over="ignore", invalid="ignore"):  # what is too large becomes infinite: without a value
        for start in range(0, len(image), _ROWS_AT_ONCE):
            rows = slice(start, start + _ROWS_AT_ONCE)
            np.subtract(image[rows], level_adu, out=values[rows], casting="unsafe")
    without_value = _without_value(values) if image.dtype.kind == "f" else None
    top = values.max() if without_value is None else values[~without_value].max()
    if top == values.min():
        raise NotMeasurable("all its pixels have one value")
    at_top = int(np.count_nonzero(values == top))
    is_cut_off = at_top >= _LEAST_CUT_OFF_PX
    return Pixels(
        values, level_adu, without_value, at_top if is_cut_off else 0, float(top) if is_cut_off else None
    )


def _level(image: NDArray[Any]) -> float:
    """Return about the median of an image, as a whole number where it has such. Raises NotMeasurable."""
    import numpy as np

    step = max(int((image.size / _SAMPLED) ** 0.5), 1)
    sample = np.asarray(image[::step, ::step], np.float64)
    finite = sample[np.isfinite(sample)]
    if not finite.size:
        raise NotMeasurable("its pixels have no values")
    return float(np.median(finite)) if image.dtype.kind == "f" else float(np.floor(np.median(finite)))


def _without_value(values: Plane) -> NDArray[np.bool_] | None:
    """Return which pixels have no value, and make those 0. Raises NotMeasurable where most have none."""
    import numpy as np

    without_value = ~np.isfinite(values)
    missing = int(np.count_nonzero(without_value))
    if not missing:
        return None
    if missing > _MOST_WITHOUT_VALUE * values.size:
        raise NotMeasurable(f"{100 * missing / values.size:.0f} % of its pixels have no value")
    values[without_value] = 0.0
    return without_value
