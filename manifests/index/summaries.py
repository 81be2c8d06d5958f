"""Totals over the files of a series, updated whenever one of its files changes."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from manifests.index.schema import COUNTED_EXPOSURE

_SUM_UP = f"""
UPDATE series SET (
    files, findings, total_exposure_s, least_exposure_s, most_exposure_s, first_begun_us, last_begun_us,
    least_altitude_deg, most_altitude_deg, least_sun_altitude_deg, most_sun_altitude_deg,
    total_moon_illumination, moons, field_deg,
    total_x, total_y, total_z, least_x, most_x, least_y, most_y, least_z, most_z
) = (
    SELECT
        count(*), total(findings),
        total({COUNTED_EXPOSURE}),
        min(exposure_s), max(exposure_s), min(begun_us), max(begun_us),
        min(sky_altitude_deg), max(sky_altitude_deg), min(sky_sun_altitude_deg), max(sky_sun_altitude_deg),
        total(sky_moon_illumination), count(sky_moon_illumination), min(field_deg),
        total(direction_x), total(direction_y), total(direction_z),
        min(direction_x), max(direction_x), min(direction_y), max(direction_y),
        min(direction_z), max(direction_z)
    FROM files WHERE series_id = :id
) WHERE id = :id
"""  # noqa: S608 - one constant of this module is put in


def sum_up(connection: sqlite3.Connection, series_ids: Iterable[int]) -> None:
    """Recompute the totals of these series; a series without files is deleted.

    Raises sqlite3.Error.
    """
    ids = [{"id": series_id} for series_id in series_ids]
    connection.executemany(_SUM_UP, ids)
    connection.executemany("DELETE FROM series WHERE id = :id AND files = 0", ids)
