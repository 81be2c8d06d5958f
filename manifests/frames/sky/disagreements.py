"""A header's own altitude and airmass beside the computed ones: a wrong clock or site shows here."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame
from manifests.frames.sky.airmass import airmass_at
from manifests.frames.sky.columns import numbers
from manifests.frames.sky.explanations import Suspicion, Track, all_suspicions, track_of
from manifests.frames.sky.facts import Sky, exposures_s

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from manifests.frames.sky.columns import Floats, Numbers

# A degree is more than refraction (0.6° at the horizon), a coarse site, a clock a minute off and
# coordinates "of date" make together; 5 % is what airmass formulas and refraction make down to 15°.
ALTITUDE_TOLERANCE_DEG = 1.0
AIRMASS_TOLERANCE = 0.05
LOWEST_JUDGED_DEG = 15.0

# A header's airmass of 0 or −1 says "not known"; no formula gives less than this.
LEAST_AIRMASS, MOST_AIRMASS = 0.99, 50.0

# More than this many causes that fit alike say no more than "something".
MOST_CAUSES = 3
NO_CAUSE = "no clock off by whole hours or on local time, and no wrong sign of the site, explains it"


@dataclass(frozen=True, slots=True, eq=False)
class _Said:
    """What the headers say, a column each; NaN where they say nothing that can be."""

    altitude_deg: Floats
    airmass: Floats


def disagreements(
    frames: Sequence[Frame], sky: Sky, latitude_deg: Numbers, longitude_deg: Numbers
) -> list[Finding | None]:
    """Return, for each frame, a finding where its header's altitude or airmass is not the computed one.

    `sky` is what `sky_of_frames` returned for these frames and this site. A header may speak of any
    moment of the exposure, so the whole of it is allowed for. The finding's sentence says what would
    explain it: a clock off by whole hours or on a local time, a wrong sign of longitude or latitude. A
    cause that explains many of the frames goes before one that explains few, so pass a whole night at once.
    """
    import numpy as np

    said = _Said(
        numbers([frame.altitude_deg for frame in frames], -90.0, 90.0),
        numbers([frame.airmass for frame in frames], LEAST_AIRMASS, MOST_AIRMASS),
    )
    track = track_of(sky, latitude_deg, longitude_deg, exposures_s(frames))
    by_altitude = _altitude_misfit(said, track.altitudes_deg()) > 1.0
    by_airmass = _airmass_misfit(said, track.altitudes_deg()) > 1.0
    found: list[Finding | None] = [None] * len(frames)
    for row, suspicions in _explained(said, track, np.flatnonzero(by_altitude | by_airmass)):
        difference = _altitude_finding if by_altitude[row] else _airmass_finding
        causes = dict.fromkeys(suspicion.words(float(track.longitude_deg[row])) for suspicion in suspicions)
        found[row] = difference(said, sky, row, _because([*causes]))
    return found


def _misfit(said: _Said, altitudes_deg: Floats) -> Floats:
    """Return how many tolerances lie between header and sky; NaN where there is nothing to compare."""
    import numpy as np

    return np.fmax(_altitude_misfit(said, altitudes_deg), _airmass_misfit(said, altitudes_deg))


def _misfit_if(suspicion: Suspicion, said: _Said, track: Track) -> Floats:
    import numpy as np

    misfit = _misfit(said, track.altitudes_deg(suspicion))
    return np.where(suspicion.is_possible(track.longitude_deg), misfit, np.inf)


def _altitude_misfit(said: _Said, altitudes_deg: Floats) -> Floats:
    low, high = altitudes_deg.min(axis=0), altitudes_deg.max(axis=0)
    return _outside(said.altitude_deg, low, high) / ALTITUDE_TOLERANCE_DEG


def _airmass_misfit(said: _Said, altitudes_deg: Floats) -> Floats:
    """Return the airmass's part; below the lowest altitude that is judged all airmasses are alike."""
    import numpy as np

    airmasses = airmass_at(np.maximum(altitudes_deg, LOWEST_JUDGED_DEG))
    airmass = np.minimum(said.airmass, airmass_at(LOWEST_JUDGED_DEG))
    off = _outside(airmass, airmasses.min(axis=0), airmasses.max(axis=0))
    return off / airmass / AIRMASS_TOLERANCE


def _outside(values: Floats, low: Floats, high: Floats) -> Floats:
    """Return how far each value lies outside its range, 0 inside."""
    import numpy as np

    return np.maximum(np.maximum(low - values, values - high), 0.0)


def _explained(said: _Said, track: Track, rows: NDArray[np.intp]) -> Iterator[tuple[int, list[Suspicion]]]:
    """Yield each of the rows with the suspicions that explain it, the best first; maybe none.

    The one that explains most rows is taken first, then the one that explains most of the rest, as
    long as it is half of them: with two dozen to choose from, something fits any one frame by chance.
    Those that explain the same rows as well stay beside it: these frames cannot tell them apart.
    """
    import numpy as np

    suspicions = all_suspicions()
    misfits = np.array([_misfit_if(suspicion, said, track)[rows] for suspicion in suspicions])
    while rows.size:
        fits = misfits <= 1.0
        order = np.lexsort((np.where(fits, misfits, 0.0).sum(axis=1), -fits.sum(axis=1)))
        covered = fits[order[0]]
        if 2 * covered.sum() < rows.size:
            yield from ((int(row), []) for row in rows)
            return
        equals = [suspicions[each] for each in order if fits[each, covered].all()]
        yield from ((int(row), equals) for row in rows[covered])
        rows, misfits = rows[~covered], misfits[:, ~covered]


def _altitude_finding(said: _Said, sky: Sky, row: int, because: str) -> Finding:
    claim, truth = f"{said.altitude_deg[row]:.1f}°", f"{sky.altitude_deg[row]:.1f}°"
    detail = f"the header says altitude {claim}, its time and the site give {truth}; {because}"
    return Finding(FindingKind.ALTITUDE_WRONG, detail)


def _airmass_finding(said: _Said, sky: Sky, row: int, because: str) -> Finding:
    altitude = sky.altitude_deg[row]
    truth = f"{sky.airmass[row]:.2f}" if altitude >= 0.0 else f"an altitude of {altitude:.1f}°"
    detail = f"the header says airmass {said.airmass[row]:.2f}, its time and the site give {truth}; {because}"
    return Finding(FindingKind.AIRMASS_WRONG, detail)


def _because(causes: list[str]) -> str:
    """Return in words what would explain a difference, the best first."""
    return f"{' or '.join(causes[:MOST_CAUSES])} would explain it" if causes else NO_CAUSE
