from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from transfer.config import SourceKind, values
from transfer.config.values import FileSurroundings, Unfit, degrees_understood, parse_duration_s

AROUND = FileSurroundings(Path("/night"), {})
WRONG_TYPES = [True, 1, 1.5, None, [], {}, ["a", 1], [[]]]


@pytest.mark.parametrize(
    ("written", "seconds"),
    [("30m", 1800), ("1h 30m", 5400), ("90s", 90), ("1h30m", 5400), ("400d", 34_560_000)],
)
def test_a_time_has_units(written, seconds):
    assert parse_duration_s(written) == seconds


@pytest.mark.parametrize("written", ["0.5h", " 30 min ", "1800 seconds", "29 minutes 60 sec", "30M"])
def test_a_time_can_be_written_in_many_ways(written):
    assert parse_duration_s(written) == 1800


@pytest.mark.parametrize(
    "written",
    ["", "30", "0s", "-5m", "30m 1h", "m", "1.2.3h", ".s", "5 parsecs", "1e3s", "٣m", "1h" + " " * 9999],
)
def test_a_time_without_a_clear_unit_is_refused(written):
    with pytest.raises(ValueError):  # noqa: PT011 - the text is the caller's to make
        parse_duration_s(written)


@pytest.mark.parametrize("value", [30, 1800.0, "30", *WRONG_TYPES])
def test_a_bare_number_is_no_time_limit(value):
    with pytest.raises(Unfit, match='"30m"'):
        values.duration_s(value, AROUND)


@pytest.mark.parametrize(
    ("degrees", "east"), [(-180, 180), (-1.9, -1.9), (0, 0), (180, 180), (181, -179), (360, 0)]
)
def test_a_longitude_comes_within_180_degrees(degrees, east):
    assert values.longitude_deg(degrees, AROUND) == east


@pytest.mark.parametrize(
    "degrees", [-180.1, 360.1, float("nan"), float("inf"), 10**400, *WRONG_TYPES[:1], None, []]
)
def test_a_longitude_that_is_nowhere_is_refused(degrees):
    with pytest.raises(Unfit, match="from -180 to 360, east positive"):
        values.longitude_deg(degrees, AROUND)


@pytest.mark.parametrize("degrees", [-90.1, 90.1, float("nan"), True, None])
def test_a_latitude_that_is_nowhere_is_refused(degrees):
    with pytest.raises(Unfit, match="from -90 to 90, north positive"):
        values.latitude_deg(degrees, AROUND)


@pytest.mark.parametrize(
    ("written", "degrees"),
    [
        ("1.9 W", -1.9),
        ("W 1.9", -1.9),
        ("1.9w", -1.9),
        ("1,9 west", -1.9),
        ("-1.9", -1.9),
        ("−1.9°", -1.9),
        ("1° 54' 00\" W", -1.9),
        ("1 54 E", 1.9),
        ("33.9 S", -33.9),
        ("33.9 degrees north", 33.9),
    ],
)
def test_what_people_write_for_degrees_is_understood(written, degrees):
    assert degrees_understood(written) == degrees


@pytest.mark.parametrize("written", ["", "W", "here", "-1.9 W", "1 2 3 4 W", "1.9 X"])
def test_what_could_mean_anything_is_not_understood(written):
    assert degrees_understood(written) is None


def test_a_west_longitude_is_told_the_number_to_write():
    with pytest.raises(Unfit, match=r"east positive and west negative; write -1\.9, without quotes"):
        values.longitude_deg("1.9 W", AROUND)


@pytest.mark.parametrize("written", ["W", "400 W"])
def test_a_longitude_that_is_not_understood_is_told_the_sense_of_its_sign(written):
    with pytest.raises(Unfit, match=r"east positive and west negative$"):
        values.longitude_deg(written, AROUND)


@given(st.text())
def test_no_text_for_degrees_breaks_anything(written):
    degrees = degrees_understood(written)
    assert degrees is None or isinstance(degrees, float)


@pytest.mark.parametrize("name", ["frames", "focus runs", "Été", "-n"])
def test_a_source_s_name_can_be_many_things(name):
    assert values.source_name(name, AROUND) == name


@pytest.mark.parametrize(
    ("name", "usable"),
    [("a/b", "a_b"), ("a\\b", "a_b"), ("CON", "_CON"), ("..", "__"), ("x.", "x_"), ("50%", "50_")],
)
def test_a_source_s_name_that_is_no_folder_s_is_refused_with_one_that_is(name, usable):
    with pytest.raises(Unfit, match=f'such as "{usable}"'):
        values.source_name(name, AROUND)


@pytest.mark.parametrize("value", ["", "  ", "two\nlines", *WRONG_TYPES])
def test_a_name_is_text_in_one_line(value):
    for read in (values.text, values.source_name):
        with pytest.raises(Unfit, match="a name, in quotes"):
            read(value, AROUND)


@pytest.mark.parametrize("value", WRONG_TYPES)
def test_a_folder_is_text(value):
    with pytest.raises(Unfit, match="a folder, in quotes"):
        values.folder(value, AROUND)


def test_patterns_are_a_list():
    assert values.patterns([], AROUND) == ()
    assert values.some_patterns(["**/*.fits", "*.log"], AROUND) == ("**/*.fits", "*.log")


@pytest.mark.parametrize("value", ["**/*.fits", ["a", 1], 5, {}, None])
def test_a_pattern_outside_a_list_is_refused(value):
    with pytest.raises(Unfit, match="a list of patterns"):
        values.some_patterns(value, AROUND)


def test_a_pattern_that_can_match_nothing_is_refused_by_name():
    with pytest.raises(Unfit, match=r'"\.\./x" leaves the folder'):
        values.patterns(["*.fits", "../x"], AROUND)


def test_taking_nothing_is_refused_and_leaving_nothing_is_not():
    with pytest.raises(Unfit, match="at least one pattern"):
        values.some_patterns([], AROUND)


def test_a_kind_is_frames_or_logs():
    assert values.kind("logs", AROUND) is SourceKind.LOGS
    for value in ("Frames", "", *WRONG_TYPES):
        with pytest.raises(Unfit, match='"frames" or "logs"'):
            values.kind(value, AROUND)
