"""Measures one frame: the sky and its noise, the stars, their size and shape. Finding them is sep's work.

sep (Barbary 2016, JOSS 1, 58) is the library of Bertin & Arnouts 1996, A&AS 117, 393. It is an optional
library: `can_measure` says whether it is there.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from importlib.util import find_spec
from math import ceil, inf, sqrt
from typing import TYPE_CHECKING, Any, NamedTuple

from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.frames.measures.pixels import NotMeasurable, Pixels, image_in, pixels_of
from manifests.frames.measures.shapes import CommonShape, Cutouts, common_shape

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from manifests.frames.measures.pixels import Plane

    Found = NDArray[np.void]

_MESH_PX = 64
# Five neighbours above three times the noise come by chance once in a thousand frames, and no hot pixel has
# neighbours: so the pixels need not be smoothed first, which would spread one.
_ABOVE_NOISE = 3.0
_LEAST_PX = 5
# What sep may hold while it looks; it says so where a frame needs more.
_MOST_PIXELS_IN_STARS = 3_000_000
_MOST_PARTS_OF_A_STAR = 4096

# Whole numbers have the noise of their steps at least (a step over the root of 12).
_STEP_NOISE_ADU = 0.29

# The brightest pixel of a star has light in all its eight neighbours, one of a cosmic ray's track in three at
# most. Without the three brightest, the mean is an eighth of that pixel in a star of a size of 1.5 pixels; in
# the coarser plane of a mosaic a star may have less.
_TRACK_PX = 3
_LEAST_BESIDE, _LEAST_BESIDE_IN_MOSAIC = 0.1, 0.02
_LEAST_OF_USUAL = 0.4

# Shapes are measured on the brightest stars that stand alone.
_MOST_SHAPED = 200
_MOST_CUTOUT_PIXELS = 400_000
_LEAST_PEAK_IN_NOISE = 6.0
_OF_CUT_OFF = 0.8
# By so much the weights are wider than the stars, so that there are enough pixels in the narrowest.
_WIDER_PX2 = 0.5
_CUTOUT_SIGMAS, _LEAST_HALF_PX, _MOST_HALF_PX = 4.5, 6, 60


def can_measure() -> bool:
    """Return whether the library that finds stars is installed."""
    return find_spec("sep") is not None


def measure(content: bytes, *, stars: bool, mosaic: bool) -> FrameMeasures:
    """Return the measures of a FITS file's content; one that cannot be measured says why.

    `stars` asks for those of the stars; without, only the level, its noise and the saturation are measured.
    In a colour `mosaic` only the green pixels are looked at, so that its pattern is taken neither for noise
    nor for stars. Raises ImportError where the library is not installed.
    """
    try:
        return measure_image(image_in(content), stars=stars, mosaic=mosaic)
    except NotMeasurable as why:
        return FrameMeasures(why_not=str(why))


def measure_image(image: NDArray[Any], *, stars: bool = True, mosaic: bool = False) -> FrameMeasures:
    """Return the measures of an image of one plane. Raises NotMeasurable, ImportError."""
    import sep

    pixels = pixels_of(image)
    looked = _green(pixels) if mosaic else _Looked(pixels.values, pixels.without_value)
    height, width = looked.plane.shape
    sky = sep.Background(
        looked.plane, mask=looked.without_value, bw=min(_MESH_PX, width), bh=min(_MESH_PX, height)
    )
    measures = FrameMeasures(
        background_adu=pixels.level_adu + sky.globalback,
        noise_adu=sky.globalrms * sqrt(looked.averaged),
        saturated_px=pixels.saturated_px,
    )
    if not stars:
        return measures
    sky.subfrom(looked.plane)
    noise = max(sky.globalrms, _STEP_NOISE_ADU if image.dtype.kind in "iu" else 0.0)
    found = _stars(looked, noise)
    most = inf if pixels.cut_off is None else _OF_CUT_OFF * (pixels.cut_off - sky.globalback)
    clear = (found["peak"] >= _LEAST_PEAK_IN_NOISE * noise) & (found["peak"] < most)
    shape = _shape(pixels, looked, found[clear])
    measures = replace(measures, stars=len(found))
    return measures if shape is None else replace(measures, **asdict(shape))


class _Looked(NamedTuple):
    """What stars are looked for in: a plane of which each pixel is the mean of so many of the frame's.

    `step` of the frame's pixels go to one of the plane; `parity` is that of the sum of row and column of the
    pixels that count, None where all do.
    """

    plane: Plane
    without_value: NDArray[np.bool_] | None
    averaged: int = 1
    step: int = 1
    parity: int | None = None


def _green(pixels: Pixels) -> _Looked:
    """Return the means of the two green pixels in each square of four of a mosaic.

    Which diagonal is green is seen by the levels: two pixels of one colour have the same. What headers say of
    it depends on how each program counts rows.
    """
    import numpy as np

    height, width = (length // 2 * 2 for length in pixels.values.shape)
    squares = pixels.values[:height, :width]
    medians = [
        [float(np.median(squares[row::2, column::2][::8, ::8])) for column in (0, 1)] for row in (0, 1)
    ]
    parity = int(abs(medians[0][0] - medians[1][1]) > abs(medians[0][1] - medians[1][0]))
    plane = np.add(squares[0::2, parity::2], squares[1::2, 1 - parity :: 2])
    plane *= np.float32(0.5)
    if (missing := pixels.without_value) is not None:
        missing = missing[0:height:2, parity:width:2] | missing[1:height:2, 1 - parity : width : 2]
    return _Looked(plane, missing, averaged=2, step=2, parity=parity)


def _stars(looked: _Looked, noise: float) -> Found:
    """Return what stands out of the noise and is no hot pixel or cosmic ray. Raises NotMeasurable."""
    import sep

    sep.set_extract_pixstack(_MOST_PIXELS_IN_STARS)
    sep.set_sub_object_limit(_MOST_PARTS_OF_A_STAR)
    try:
        found: Found = sep.extract(
            looked.plane,
            _ABOVE_NOISE * noise,
            mask=looked.without_value,
            minarea=_LEAST_PX,
            filter_kernel=None,
        )
    except Exception as error:  # the library has one kind of exception: that it is full
        raise NotMeasurable(f"its stars cannot be told apart ({error})") from error
    return found[_beside(looked, found)]


def _beside(looked: _Looked, found: Found) -> NDArray[np.bool_]:
    """Return which objects have light beside their brightest pixel, on all sides, as stars have."""
    import numpy as np

    if not len(found):
        return np.zeros(0, bool)
    around = [(row, column) for row in (-1, 0, 1) for column in (-1, 0, 1) if row or column]
    plane, y, x = looked.plane, found["ypeak"], found["xpeak"]
    bottom, right = plane.shape[0] - 1, plane.shape[1] - 1
    neighbours = np.stack(
        [plane[np.clip(y + row, 0, bottom), np.clip(x + column, 0, right)] for row, column in around]
    )
    neighbours.sort(axis=0)
    beside = neighbours[:-_TRACK_PX].mean(axis=0) / plane[y, x]
    stars: NDArray[np.bool_] = beside > (_LEAST_BESIDE if looked.parity is None else _LEAST_BESIDE_IN_MOSAIC)
    if stars.any():
        stars &= beside > _LEAST_OF_USUAL * np.median(beside[stars])
    return stars


def _shape(pixels: Pixels, looked: _Looked, found: Found) -> CommonShape | None:
    """Return what the brightest stars that stand alone have in common."""
    import numpy as np

    alone = found[found["flag"] == 0]
    brightest = alone[np.argsort(-alone["peak"])][:_MOST_SHAPED]
    if not len(brightest):
        return None
    half = ceil(_CUTOUT_SIGMAS * float(np.median(brightest["a"])) * looked.step)
    half = min(max(half, _LEAST_HALF_PX), _MOST_HALF_PX)
    brightest = brightest[: _MOST_CUTOUT_PIXELS // (2 * half + 1) ** 2]
    # The middle of a plane's pixel is that of the square of the frame's.
    x, y = (np.rint(brightest[axis] * looked.step + (looked.step - 1) / 2).astype(int) for axis in ("x", "y"))
    height, width = pixels.values.shape
    inside = (np.minimum(x, y) >= half) & (x < width - half) & (y < height - half)
    moments = np.stack([brightest[name] for name in ("x2", "xy", "y2")], axis=1)[inside] * looked.step**2
    if not inside.any():
        return None
    return common_shape(_cutouts(pixels, looked, x[inside], y[inside], half), moments)


def _cutouts(pixels: Pixels, looked: _Looked, x: Any, y: Any, half: int) -> Cutouts:
    """Return squares around stars, less the level at their border."""
    import numpy as np

    offsets = np.arange(-half, half + 1)
    rows, columns = y[:, None, None] + offsets[None, :, None], x[:, None, None] + offsets[None, None, :]
    values = pixels.values[rows, columns]
    counts = np.ones(values.shape, bool)
    if looked.parity is not None:
        counts &= (rows + columns) % 2 == looked.parity
    if pixels.without_value is not None:
        counts &= ~pixels.without_value[rows, columns]
    border = np.maximum(abs(offsets)[None, :, None], abs(offsets)[None, None, :]) == half
    around = np.where(counts & border, values, np.nan).reshape(len(values), -1)
    values -= np.nan_to_num(np.nanmedian(around, axis=1))[:, None, None].astype(np.float32)
    across = offsets.astype(np.float32)
    return Cutouts(
        values,
        counts.astype(np.float32),
        across[None, None, :],
        across[None, :, None],
        _WIDER_PX2 * looked.averaged,
    )
