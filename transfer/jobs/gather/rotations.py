"""Rotations that a camera was at, told apart where flats have to be."""

from __future__ import annotations

from collections.abc import Iterable, Mapping


def told_apart(rotations_deg: Iterable[float], tolerance_deg: float) -> Mapping[float, int]:
    """Give for each rotation a whole number of degrees that those near it share.

    Each lies within the tolerance of another one with its number; half a turn makes no difference, for
    a mount turns over across the meridian and camera and telescope stay as they were to each other.
    """
    ordered = sorted(set(rotations_deg), key=lambda each: each % 180)
    clusters: list[list[float]] = []
    for each in ordered:
        if clusters and each % 180 - clusters[-1][-1] % 180 <= tolerance_deg:
            clusters[-1].append(each)
        else:
            clusters.append([each])
    if len(clusters) > 1 and clusters[0][0] % 180 + 180 - clusters[-1][-1] % 180 <= tolerance_deg:
        clusters[0] = clusters.pop() + clusters[0]
    return {each: round(min(cluster)) % 360 for cluster in clusters for each in cluster}
