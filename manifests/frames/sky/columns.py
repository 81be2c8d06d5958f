"""Columns of facts as they come in: numbers, times and gaps, made into arrays with NaN for each gap."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats: TypeAlias = NDArray[np.float64]
    Numbers: TypeAlias = float | Sequence[float | None] | Floats | None
    Times: TypeAlias = datetime | Numbers | Sequence[datetime | float | None]

MJD_ZERO = datetime(1858, 11, 17, tzinfo=UTC)

# What a datetime can say, years 1 to 9999; beyond them a time is not a time.
FIRST_MJD, LAST_MJD = -678575.0, 2973484.0


def numbers(values: Numbers, least: float, most: float) -> Floats:
    """Return a column as an array: NaN for None, and for whatever lies outside `least`…`most`.

    A header can hold any number; one that cannot be what it is called is as good as missing.
    """
    import numpy as np

    column = np.asarray(values, dtype=np.float64)
    return np.where((column >= least) & (column <= most), column, np.nan)


def modified_julian_dates(times: Times) -> Floats:
    """Return a column of UTC times, aware datetimes or MJD, as MJD (UTC, days); NaN for None.

    Raises TypeError where a datetime has no time zone: it could be anywhere.
    """
    import numpy as np

    if isinstance(times, datetime):
        return numbers(_mjd(times), FIRST_MJD, LAST_MJD)
    if isinstance(times, Sequence):
        times = [_mjd(time) if isinstance(time, datetime) else time for time in times]
    return numbers(np.asarray(times, dtype=np.float64), FIRST_MJD, LAST_MJD)


def utc_of(mjd: float) -> datetime:
    """Return the aware UTC datetime of an MJD, to the microsecond."""
    return MJD_ZERO + timedelta(days=mjd)


def _mjd(time: datetime) -> float:
    return (time - MJD_ZERO) / timedelta(days=1)
