from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.cards import CardValue
from manifests.frames.keywords import KEYWORDS
from manifests.frames.moments import beginning_of, written_utc_of


def _begun(cards, scale="UTC", exposure_s=None):
    """Return the beginning as ISO text, marked where it is a date alone."""
    found = {keyword: CardValue(value) for keyword, value in cards.items()}
    beginning = beginning_of(found, KEYWORDS, scale, exposure_s)
    if beginning is None:
        return None
    only = " date only" if beginning.date_only else ""
    if beginning.utc is None:
        assert beginning.local.tzinfo is None
        return f"{beginning.local.isoformat()} local{only}"
    assert beginning.utc.tzinfo is UTC
    assert beginning.local is None
    return beginning.utc.replace(tzinfo=None).isoformat() + only


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("2026-03-14T21:05:33", "2026-03-14T21:05:33"),
        ("2026-03-14T21:05:33.5", "2026-03-14T21:05:33.500000"),
        ("2026-03-14T21:05:33.1234567", "2026-03-14T21:05:33.123456"),
        ("2026-03-14T21:05", "2026-03-14T21:05:00"),
        ("2026-03-14 21:05:33", "2026-03-14T21:05:33"),
        ("2026-03-14T21:05:33Z", "2026-03-14T21:05:33"),
        ("2026-03-14T21:05:33,250", "2026-03-14T21:05:33.250000"),
        ("2026/03/14T21:05:33", "2026-03-14T21:05:33"),
        ("2026-03-14T21:05:33+01:00", "2026-03-14T20:05:33"),
        ("2026-03-14T21:05:33-0730", "2026-03-15T04:35:33"),
        ("2026-03-14T21:05:33+01", "2026-03-14T20:05:33"),
        ("2026-03-14T21:05:33 +01", "2026-03-14T20:05:33"),
        ("2026-03-14T21:05:33 UTC", "2026-03-14T21:05:33"),
        ("2026-03-14 21:05:33 UT", "2026-03-14T21:05:33"),
        ("2026-03-14T21:05:33.5 GMT", "2026-03-14T21:05:33.500000"),
        ("14/03/2026", "2026-03-14T00:00:00 date only"),
        ("03/04/2026", "2026-04-03T00:00:00 date only"),
        ("03/14/2026", "2026-03-14T00:00:00 date only"),
        ("05/12/2026", "2026-12-05T00:00:00 date only"),
        ("12/13/2026", "2026-12-13T00:00:00 date only"),
        ("14/03/2026 21:05:33", "2026-03-14T21:05:33"),
        ("14/03/2026 UTC", "2026-03-14T00:00:00 date only"),
        ("2026-12-31T23:59:60", "2027-01-01T00:00:00"),
        ("2016-12-31T23:59:60.5", "2017-01-01T00:00:00.500000"),
        ("2026-03-14", "2026-03-14T00:00:00 date only"),
        ("19/05/94", "1994-05-19T00:00:00 date only"),
        ("01/02/03", "1903-02-01T00:00:00 date only"),
        ("9/5/94", "1994-05-09T00:00:00 date only"),
    ],
)
def test_each_form_of_a_date_is_read(written, expected):
    assert _begun({"DATE-OBS": written}) == expected


@pytest.mark.parametrize(
    "written",
    [
        "",
        "tonight",
        "2026-02-30T00:00:00",
        "2026-13-01",
        "0000-00-00T00:00:00",
        "2026-03-14T25:00:00",
        "2026-03-14T24:00:00",
        "2026-03-14T21:60:00",
        "2026-03-14T21:05:61",
        "2026-03-14T21:05:33+99:00",
        "32/01/94",
        "13/13/2026",
        "14/03/026",
        "14/03/26T25:00:00",
        "2026-03-14T21",
        "2026-03-14T21:05:33 CET",
        "2026-03-14T21:05:33 UTC UTC",
        "2026-03-14T21:05:33+1",
        "019/05/94",
        "19/005/94",
        "19/05/194",
        "19/05/9",
        "+9/05/94",
        "19/+5/94",
        "19/05/+4",
        "14.03.2026",
        "٢٠٢٦-03-14",
        20260314,
        True,
        1 + 2j,
    ],
)
def test_a_date_that_is_garbage_is_no_date(written):
    assert _begun({"DATE-OBS": written}) is None


@pytest.mark.parametrize("keyword", ["TIME-OBS", "UT", "UTC", "UTSTART", "UTC-OBS"])
def test_a_date_alone_takes_its_time_from_a_card_of_its_own(keyword):
    assert _begun({"DATE-OBS": "2013-07-13", keyword: "00:57:33.5"}) == "2013-07-13T00:57:33.500000"
    assert _begun({"DATE-OBS": "19/05/94", keyword: "15:41:16"}) == "1994-05-19T15:41:16"


@pytest.mark.parametrize(
    ("written", "time"),
    [
        ("00 57 33.5", "00:57:33.500000"),
        ("00:57:33 UTC", "00:57:33"),
        ("00:57:33.5 UT", "00:57:33.500000"),
        ("00:57:33Z", "00:57:33"),
        ("00h57m33s", "00:57:33"),
        ("00:57", "00:57:00"),
        (21.5, "21:30:00"),
        ("21.5", "21:30:00"),
        ("21.5 UTC", "21:30:00"),
        (5253.0, "01:27:33"),
        (75933.5, "21:05:33.500000"),
        ("75933", "21:05:33"),
        ("0:7:3", "00:07:03"),
        ("00:57:33.", "00:57:33"),
        ("00:57:33,25", "00:57:33.250000"),
        (23.5, "23:30:00"),
        ("21.", "21:00:00"),
        ("21.25", "21:15:00"),
        (24.0, "00:00:24"),
        (86399, "23:59:59"),
        ("2013-07-13T21:05:33", "21:05:33"),
        ("1899-12-30T21:05:33", "21:05:33"),
    ],
)
def test_a_time_of_day_is_read_in_each_form(written, time):
    assert _begun({"DATE-OBS": "2013-07-13", "UT": written}) == f"2013-07-13T{time}"


@pytest.mark.parametrize(
    "written",
    [
        86400,
        90000.0,
        "210533",
        -3.0,
        "24:00:00",
        "noon",
        True,
        "1e3",
        "1.2.3",
        "010533",
        "0x:57:33",
        "00:5x:33",
        "00:57:33.2x",
        "00:57:33.25.5",
        "00:57:33:44",
        "00:57:33 UTCC",
        "000:57:33",
        "00:057:33",
        "00:57:033",
        "00:57:3x",
        "00:57:33ss",
        "00:57:33 UTC UTC",
        "00:57:33  UTC",
        "00:57:33 CET",
        "2013-07-13",
    ],
)
def test_a_time_that_no_day_has_is_none(written):
    assert _begun({"DATE-OBS": "2013-07-13", "UT": written}) == "2013-07-13T00:00:00 date only"


def test_a_number_s_unit_is_the_one_its_comment_names():
    cards = {"DATE-OBS": CardValue("2013-07-13"), "UT": CardValue(12.5, " 12.5 / [s] since midnight")}
    assert beginning_of(cards, KEYWORDS, "UTC", None).utc == datetime(2013, 7, 13, 0, 0, 12, 500000, UTC)
    cards["UT"] = CardValue("12.5", " '12.5' / [h]")
    assert beginning_of(cards, KEYWORDS, "UTC", None).utc == datetime(2013, 7, 13, 12, 30, tzinfo=UTC)


@pytest.mark.parametrize("midnight", ["2013-07-13T00:00:00", "2013-07-13T00:00:00.000", "2013-07-13 00:00"])
def test_a_midnight_beside_a_time_of_day_stands_for_a_date_alone(midnight):
    assert _begun({"DATE-OBS": midnight, "TIME-OBS": "21:05:33"}) == "2013-07-13T21:05:33"
    assert _begun({"DATE-OBS": midnight, "TIME-OBS": "??"}) == "2013-07-13T00:00:00"
    assert _begun({"DATE-OBS": midnight}) == "2013-07-13T00:00:00"


def test_a_time_card_with_a_whole_date_counts_whole_beside_the_same_day_and_alone():
    assert _begun({"DATE-OBS": "2013-07-13", "UT": "2013-07-14T00:05:33"}) == "2013-07-14T00:05:33"
    assert _begun({"UT": "2013-07-14T00:05:33"}) == "2013-07-14T00:05:33"
    assert _begun({"DATE-OBS": "2013-07-13", "UT": "2013-07-15T00:00:00"}) == "2013-07-15T00:00:00"
    assert _begun({"DATE-OBS": "2013-07-13", "UT": "2013-07-15T00:00:01"}) == "2013-07-13T00:00:01"
    assert _begun({"DATE-OBS": "2013-07-13T00:00:00Z", "UT": "2013-07-14T00:05:33"}) == "2013-07-13T00:05:33"


@pytest.mark.parametrize(
    ("cards", "scale", "expected"),
    [
        ({"DATE-LOC": "2026-03-14T23:05:33"}, "UTC", "2026-03-14T23:05:33 local"),
        (
            {"DATE-LOC": "2026-03-14T23:05:33", "DATE-OBS": "2026-03-14T22:05:33"},
            "UTC",
            "2026-03-14T22:05:33",
        ),
        ({"DATE-LOC": "2026-03-14T23:05:33", "DATE-OBS": "2026-03-14"}, "UTC", "2026-03-14T23:05:33 local"),
        ({"DATE-LOC": "2026-03-14T23:05:33+01:00"}, "UTC", "2026-03-14T22:05:33"),
        ({"DATE-LOC": "2026-03-14"}, "UTC", "2026-03-14T00:00:00 local date only"),
        ({"DATE-OBS": "2026-03-14T23:05:33"}, "LOCAL", "2026-03-14T23:05:33 local"),
        ({"DATE-OBS": "2026-03-14", "TIME-OBS": "23:05:33"}, " local ", "2026-03-14T23:05:33 local"),
        ({"DATE-OBS": "2026-03-14T23:05:33Z"}, "LOCAL", "2026-03-14T23:05:33"),
        ({"DATE-LOC": "at dusk"}, "UTC", None),
        ({"DATE-LOC": True, "DATE_LOC": "2026-03-14T23:05:33"}, "UTC", "2026-03-14T23:05:33 local"),
    ],
)
def test_local_time_is_kept_as_local_and_never_taken_for_utc(cards, scale, expected):
    assert _begun(cards, scale=scale) == expected


@pytest.mark.parametrize("keyword", ["MJD-OBS", "MJD", "MJD-BEG", "MJD-AVG", "JD"])
@pytest.mark.parametrize("value", [0, 0.0, "0.0"])
def test_a_julian_date_of_zero_is_none(keyword, value):
    assert _begun({keyword: value}) is None
    assert _begun({"JD": 2400000.5}) is None


def test_a_date_of_two_digits_before_any_camera_is_remarked_on():
    """FITS Standard 4.0, section 4.4.2.1: DD/MM/YY is of 1900 to 1999."""
    doubtful = beginning_of({"DATE-OBS": CardValue("14/03/26")}, KEYWORDS, "UTC", None)
    assert doubtful.utc == datetime(1926, 3, 14, tzinfo=UTC)
    assert doubtful.remark.startswith("'14/03/26' is 1926-03-14")
    timed = {"DATE-OBS": CardValue("14/03/26"), "UT": CardValue("21:05:33")}
    assert beginning_of(timed, KEYWORDS, "UTC", None).remark == doubtful.remark
    assert beginning_of({"DATE-OBS": CardValue("31/12/69")}, KEYWORDS, "UTC", None).remark
    assert beginning_of({"DATE-OBS": CardValue("01/01/70")}, KEYWORDS, "UTC", None).remark == ""


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("2026-03-15T09:00:00", datetime(2026, 3, 15, 9, tzinfo=UTC)),
        ("2026-03-15", datetime(2026, 3, 15, tzinfo=UTC)),
        ("yesterday", None),
        (True, None),
    ],
)
def test_when_a_header_was_written_is_read(written, expected):
    assert written_utc_of({"DATE": CardValue(written)}, KEYWORDS) == expected
    assert written_utc_of({}, KEYWORDS) is None


def test_a_broken_time_card_gives_way_to_the_next():
    assert _begun({"DATE-OBS": "2013-07-13", "TIME-OBS": "??", "UT": "01:02:03"}) == "2013-07-13T01:02:03"


def test_a_time_within_date_obs_is_not_overruled_by_a_card_of_its_own():
    assert _begun({"DATE-OBS": "2013-07-13T04:00:00", "UT": "01:02:03"}) == "2013-07-13T04:00:00"


@pytest.mark.parametrize(
    ("cards", "expected"),
    [
        ({"DATE-BEG": "2026-03-14T21:00:00"}, "2026-03-14T21:00:00"),
        ({"DATE-AVG": "2026-03-14T21:05:37.5"}, "2026-03-14T21:00:00"),
        ({"DATE-END": "2026-03-14T21:11:15"}, "2026-03-14T21:00:00"),
        ({"MJD-OBS": 61113.875}, "2026-03-14T21:00:00"),
        ({"MJD-BEG": "61113.875"}, "2026-03-14T21:00:00"),
        ({"MJD": 61113.875}, "2026-03-14T21:00:00"),
        ({"MJD-AVG": 61113.875 + 1 / 256}, "2026-03-14T21:00:00"),
        ({"JD": 2461114.375}, "2026-03-14T21:00:00"),
        ({"DATE-OBS": "garbage", "MJD-OBS": 61113.875}, "2026-03-14T21:00:00"),
        ({"DATE-OBS": "2026-03-14", "MJD-OBS": 61113.875}, "2026-03-14T21:00:00"),
        (
            {"DATE-OBS": "2026-03-14T21:00:00", "MJD-OBS": 50000.5, "DATE-AVG": "2000-01-01T00:00:00"},
            "2026-03-14T21:00:00",
        ),
        ({"MJD-OBS": 56486.0}, "2013-07-13T00:00:00 date only"),
        ({"MJD-END": 61113.875 + 1 / 128}, "2026-03-14T21:00:00"),
        ({"DATE-OBS": "2026-03-14", "MJD-OBS": 56486.0}, "2026-03-14T00:00:00 date only"),
        ({"DATE-AVG": 20260314, "MJD-OBS": 61113.875}, "2026-03-14T21:00:00"),
        ({"DATE-AVG": True, "DATE-END": 1 + 2j}, None),
        ({"DATE-OBS": "2026-03-14", "UT": True}, "2026-03-14T00:00:00 date only"),
        ({"DATE-AVG": "0001-01-01T00:00:00"}, None),
        ({"MJD-OBS": 1e300}, None),
        ({"JD": -1e9}, None),
        ({"DATE": "2026-03-14T21:00:00"}, None),
    ],
)
def test_other_cards_tell_the_start_where_date_obs_does_not(cards, expected):
    assert _begun(cards, exposure_s=86400 / 128) == expected  # exact in binary days


def test_the_middle_less_half_an_unknown_exposure_is_the_middle():
    assert _begun({"DATE-AVG": "2026-03-14T21:05:00"}) == "2026-03-14T21:05:00"


def test_a_date_alone_of_the_middle_is_not_moved_to_the_day_before():
    assert _begun({"DATE-AVG": "2026-03-14"}, exposure_s=600) is None


def test_the_header_s_time_scale_is_honoured_but_a_named_zone_is_not_a_scale():
    assert _begun({"DATE-OBS": "2026-03-14T21:05:33"}, scale="TAI") == "2026-03-14T21:04:56"
    assert _begun({"MJD-OBS": 61113.875}, scale="TAI") == "2026-03-14T20:59:23"
    assert _begun({"DATE-OBS": "2026-03-14T21:05:33Z"}, scale="TAI") == "2026-03-14T21:05:33"


@pytest.mark.parametrize(
    "written", ["0001-01-01T00:00:00+12:00", "9999-12-31T23:59:60", "0001-01-01T00:00:00"]
)
def test_the_ends_of_the_calendar_do_not_crash(written):
    assert _begun({"DATE-OBS": written, "TIME-OBS": "00:00:00"}, scale="TT") is None


_PIECES = st.sampled_from(
    ["2026", "9999", "0001", "12", "31", "-", "/", ":", "T", " ", "60", "59", "23", ".", "+", "Z"]
)
_WILD = st.one_of(
    st.text(max_size=40), st.lists(_PIECES, max_size=14).map("".join), st.floats(), st.integers()
)


@given(
    st.dictionaries(st.sampled_from(sorted(KEYWORDS.wanted)), _WILD, max_size=6),
    st.sampled_from(["UTC", "TAI", "TT", "TCB", "GPS", "LOCAL", "x"]),
    st.none() | st.floats(allow_nan=False, allow_infinity=False),
)
def test_no_cards_raise(cards, scale, exposure_s):
    _begun(cards, scale, exposure_s)


@given(st.datetimes(datetime(1900, 1, 1), datetime(2999, 12, 31)))  # noqa: DTZ001 (hypothesis wants naive bounds)
def test_any_moment_written_as_iso_is_read_back(moment):
    assert _begun({"DATE-OBS": moment.isoformat()}) == moment.isoformat()
