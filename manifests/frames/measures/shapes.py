"""The size and shape of stars: adaptive moments, weighted by an ellipse that is fitted to each star.

G. M. Bernstein and M. Jarvis, AJ 123, 583 (2002), section 3: the weight is a Gaussian of the star's own
position and, nearly, of its own shape, found by iteration. From the moments under the weight follow those of
the star, exactly so for a Gaussian one; noise far from it hardly counts, and no threshold cuts its wings off.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, log, sqrt
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = NDArray[np.float64]

FWHM_OF_SIGMA = 2 * sqrt(2 * log(2))
"""The full width at half maximum of a Gaussian whose sigma is 1."""

_ROUNDS = 8
_SETTLED = 0.02
_LEAST_SIGMA2, _MOST_SIGMA = 0.05, 0.5  # pixels squared; of the cutout's half width
_LEAST_STARS = 5
# A profile is looked at to this distance from a star's middle, in its own sigmas.
_PROFILE_TO, _PROFILE_BINS = 1.6, 16
_HALF_OF_GAUSSIAN = sqrt(2 * log(2))


@dataclass(frozen=True, slots=True)
class CommonShape:
    """What the stars of a frame have in common: see `FrameMeasures`."""

    size_px: float
    elongation: float
    elongation_deg: float


@dataclass(frozen=True, slots=True)
class Cutouts:
    """Squares of pixels around stars: `values` is star × row × column, `x` and `y` are their offsets.

    A pixel that does not count has a `counts` of 0. `wider_px2` is by how much a weight's moments are larger
    than the star's: the product of both has to be wider than what lies between the pixels that count.
    """

    values: NDArray[np.float32]
    counts: NDArray[np.float32]
    x: NDArray[np.float32]
    y: NDArray[np.float32]
    wider_px2: float


@dataclass(slots=True)
class _Ellipses:
    """The weights: each star's middle, its second moments (xx, xy, yy), and its brightness."""

    x: Numbers
    y: Numbers
    moments: Numbers
    amplitude: Numbers


def common_shape(cutouts: Cutouts, moments: Numbers) -> CommonShape | None:
    """Return the median shape of stars, or None where too few have one.

    `moments` are about those of each star, xx, xy and yy, in pixels squared, to begin with. The size includes
    the width of a pixel, as what a curve fitted to the pixels would show.
    """
    import numpy as np

    ellipses, change = _settled(cutouts, moments)
    good = _plausible(cutouts, ellipses, change)
    if np.count_nonzero(good) < _LEAST_STARS:
        return None
    xx, xy, yy = np.median(ellipses.moments[good], axis=0)
    mean, half = (xx + yy) / 2, sqrt(((xx - yy) / 2) ** 2 + xy**2)
    if mean <= half:
        return None
    sigma = float(np.median(_determinant(ellipses.moments[good]) ** 0.25))
    return CommonShape(
        FWHM_OF_SIGMA * sigma * _of_half_width(cutouts, ellipses, good),
        sqrt((mean + half) / (mean - half)),
        degrees(0.5 * np.arctan2(2 * xy, xx - yy)) % 180.0,
    )


def _settled(cutouts: Cutouts, moments: Numbers) -> tuple[_Ellipses, Numbers]:
    """Return the weights that fit the stars, and by how much each still changed in the last round."""
    import numpy as np

    count = len(moments)
    now = _Ellipses(np.zeros(count), np.zeros(count), moments.copy(), np.zeros(count))
    change = np.full(count, np.inf)
    with np.errstate(all="ignore"):  # what comes to nothing is sorted out by `_plausible`
        for _ in range(_ROUNDS):
            before = _determinant(now.moments)
            now = _next(cutouts, now)
            change = np.abs(_determinant(now.moments) / before - 1)
    return now, change


def _next(cutouts: Cutouts, now: _Ellipses) -> _Ellipses:
    import numpy as np

    dx = cutouts.x - now.x[:, None, None].astype(np.float32)
    dy = cutouts.y - now.y[:, None, None].astype(np.float32)
    wide = now.moments + cutouts.wider_px2 * np.array([1.0, 0.0, 1.0])
    weight = np.exp(-0.5 * _distance2(dx, dy, wide)) * cutouts.counts
    light = weight * cutouts.values

    def total(values: Any) -> Numbers:
        summed: Numbers = values.reshape(len(values), -1).sum(axis=1, dtype=np.float64)
        return summed

    whole = total(light)
    along_x = light * dx
    shift_x, shift_y = total(along_x) / whole, total(light * dy) / whole
    xx, xy = total(along_x * dx) / whole, total(along_x * dy) / whole
    yy = total(light * dy * dy) / whole
    seen = np.stack([xx - shift_x**2, xy - shift_x * shift_y, yy - shift_y**2], axis=1)
    # Of Gaussians that are multiplied the inverse moments add up.
    moments = _inverse(_inverse(seen) - _inverse(wide))
    moved = 1 + _determinant(moments) ** 0.5 / _determinant(wide) ** 0.5
    star = np.exp(-0.5 * _distance2(dx, dy, moments))
    return _Ellipses(now.x + moved * shift_x, now.y + moved * shift_y, moments, whole / total(weight * star))


def _distance2(dx: Any, dy: Any, moments: Numbers) -> Any:
    """Return the squared distances from stars' middles, in sigmas of their ellipses."""
    import numpy as np

    determinant = _determinant(moments)
    a, b, c = (
        (part / determinant).astype(np.float32)[:, None, None]
        for part in (moments[:, 2], -2 * moments[:, 1], moments[:, 0])
    )
    return (a * dx + b * dy) * dx + c * dy * dy


def _inverse(moments: Numbers) -> Numbers:
    import numpy as np

    inverse: Numbers = moments[:, ::-1] * np.array([1.0, -1.0, 1.0]) / _determinant(moments)[:, None]
    return inverse


def _determinant(moments: Numbers) -> Numbers:
    return moments[:, 0] * moments[:, 2] - moments[:, 1] ** 2


def _plausible(cutouts: Cutouts, ellipses: _Ellipses, change: Numbers) -> NDArray[np.bool_]:
    """Return which stars have a shape that settled, lies in its cutout, and is larger than a hot pixel's."""
    import numpy as np

    reach = float(cutouts.x.max())
    with np.errstate(all="ignore"):
        determinant = _determinant(ellipses.moments)
        inside = np.hypot(ellipses.x, ellipses.y) < reach / 2
        sized = (determinant > _LEAST_SIGMA2**2) & (determinant < (_MOST_SIGMA * reach) ** 4)
        sized &= ellipses.moments[:, 0] > 0
        good: NDArray[np.bool_] = inside & sized & (change < _SETTLED) & (ellipses.amplitude > 0)
    return good


def _of_half_width(cutouts: Cutouts, ellipses: _Ellipses, good: NDArray[np.bool_]) -> float:
    """Return by what a Gaussian's width is to be multiplied for the half width that the stars really have.

    Stars blurred by the air have a narrower core and wider wings than a Gaussian (A. F. J. Moffat, A&A 3,
    455, 1969), for which the fitted weight is up to a fifth too wide. The half width is read off the stars'
    common profile, of which the logarithm is nearly a parabola in the squared distance.
    """
    import numpy as np

    moments = ellipses.moments[good]
    dx = cutouts.x - ellipses.x[good, None, None]
    dy = cutouts.y - ellipses.y[good, None, None]
    distance2 = _distance2(dx, dy, moments)
    near = (distance2 < _PROFILE_TO**2) & (cutouts.counts[good] > 0)
    bright = (cutouts.values[good] / ellipses.amplitude[good, None, None])[near]
    bins = (distance2[near] * (_PROFILE_BINS / _PROFILE_TO**2)).astype(int)
    places = [bins == one for one in np.unique(bins)]
    at = np.array([distance2[near][place].mean() for place in places])
    light = np.array([np.median(bright[place]) for place in places])
    if len(at) < _PROFILE_BINS // 2 or light.min() <= 0:
        return 1.0
    curve, slope, _ = np.polyfit(at, np.log(light), 2)
    roots = np.roots([curve, slope, log(2)])
    ahead = [root.real for root in roots if abs(root.imag) < 1e-9 and root.real > 0]
    if not ahead:
        return 1.0
    return float(np.clip(sqrt(min(ahead)) / _HALF_OF_GAUSSIAN, 0.75, 1.1))
