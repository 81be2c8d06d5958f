"""Time scales of FITS (Standard 4.0, table 30) to UTC."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

# TAI less the scale, in seconds. TT = TAI + 32.184 s (IAU 1991); TDB stays within 2 ms of TT;
# GPS = TAI − 19 s.
_TO_TAI_S = {
    **dict.fromkeys(("TAI", "IAT"), 0.0),
    **dict.fromkeys(("TT", "TDT", "ET", "TDB", "TCG", "TCB"), -32.184),
    "GPS": 19.0,
}
# How much faster the coordinate times run: L_G (IAU 2000 resolution B1.9), L_B (IAU 2006 resolution B3),
# both counted from 1977-01-01 0h TAI.
_RATES = {"TCG": 6.969290134e-10, "TCB": 1.550519768e-8}
_RATES_SINCE = datetime(1977, 1, 1, 0, 0, 32, 184000)  # noqa: DTZ001 (TT)


def is_local(scale: str) -> bool:
    """Return whether a TIMESYS value is LOCAL: a clock whose zone the header does not name."""
    return _name(scale) == "LOCAL"


def to_utc(moment: datetime, scale: str) -> datetime | None:
    """Return a naive moment of a time scale in UTC; `None` for LOCAL, which names no zone.

    `scale` is a TIMESYS value; a realization such as TT(TAI) counts as its scale. UT1 (within 0.9 s of
    UTC), nothing and an unknown name are taken as UTC: no two scales differ by two minutes. Before 1972, when
    UTC drifted, other scales come out within some seconds. Raises OverflowError beyond years 1 and 9999.
    """
    name = _name(scale)
    if is_local(scale):
        return None
    if name not in _TO_TAI_S:
        return moment.replace(tzinfo=UTC)
    ahead = (moment - _RATES_SINCE) * _RATES.get(name, 0.0)
    tai = moment - ahead + timedelta(seconds=_TO_TAI_S[name])
    return (tai - timedelta(seconds=_tai_less_utc_s(tai))).replace(tzinfo=UTC)


def _name(scale: str) -> str:
    return scale.partition("(")[0].strip().upper()


def _tai_less_utc_s(tai: datetime) -> float:
    """Return TAI − UTC by the leap seconds in the table of astropy's own engine.

    Not by its Time class: the first conversion to UTC may look for a newer table on the network, and the
    computer at the telescope may have none.
    """
    import erfa

    offset = 0.0
    for year, month, seconds in erfa.leap_seconds.get():
        if tai < datetime(year, month, 1) + timedelta(seconds=float(seconds)):  # noqa: DTZ001 (TAI)
            break
        offset = float(seconds)
    return offset
