"""Positions and angles in the forms that people write them."""

from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from transfer.archive.positions import degrees_of_angle, degrees_of_position

NGC_7331 = (339.2667, 34.4156)


@pytest.mark.parametrize(
    "text",
    [
        "339.26667 34.41556",
        "339.26667, +34.41556",
        "339.26667,34.41556",
        "22h37m04s +34d24m56s",
        "22h37m04s, 34d24m56s",
        "22h 37m 04s +34d 24m 56s",
        "22:37:04 +34:24:56",
        "22 37 04 +34 24 56",
        "22 37 4 34 24 56",
        "339.26667d 34.41556d",
        "339.26667° 34.41556°",
        "339°16′00″ 34°24′56″",
        "22ʰ37ᵐ04ˢ +34°24′56″",
        "5.9213203rad 0.60066490rad",
        "J223704+342456",
        "339.26667deg 34.41556",
        " 22h37m04s  +34.41556 ",
    ],
)
def test_a_position_is_read_in_any_form(text: str) -> None:
    assert degrees_of_position(text) == pytest.approx(NGC_7331, abs=1e-3)


@pytest.mark.parametrize("text", ["10 -30", "0h40m -30d", "00:40:00 -30:00:00", "0h40m \N{MINUS SIGN}30d"])
def test_a_declination_may_be_south(text: str) -> None:
    assert degrees_of_position(text) == pytest.approx((10, -30))


def test_just_south_of_the_equator_stays_south() -> None:
    assert degrees_of_position("0h00m00s -00d30m00s")[1] == pytest.approx(-0.5)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "here",
        "339",
        "22h37m04s",
        "400 10",
        "-10 10",
        "10 95",
        "25h +10d",
        "12:61:00 +10:00:00",
        "nan nan",
        "1 2 3 4 5",
    ],
)
def test_what_is_no_position_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"\S"):
        degrees_of_position(text)


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("0.5", 0.5),
        ("30'", 0.5),
        ("30′", 0.5),
        ("30arcmin", 0.5),
        ("0d30m", 0.5),
        ("0:30", 0.5),
        ('1800"', 0.5),
        ("1e-1", 0.1),
    ],
)
def test_an_angle_is_read_in_any_form(text: str, degrees: float) -> None:
    assert degrees_of_angle(text) == pytest.approx(degrees)


@pytest.mark.parametrize("text", ["", "wide", "1 parsec", "inf deg"])
def test_what_is_no_angle_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"\S"):
        degrees_of_angle(text)


@given(st.text(max_size=30))
def test_any_text_is_a_position_or_refused(text: str) -> None:
    try:
        ra_deg, dec_deg = degrees_of_position(text)
    except ValueError:
        return
    assert 0 <= ra_deg < 360
    assert -90 <= dec_deg <= 90


def test_plain_numbers_need_no_astronomy_library() -> None:
    program = (
        "import sys; from transfer.archive.positions import degrees_of_angle, degrees_of_position;"
        "degrees_of_position('339.3, -34.4'); degrees_of_angle('.5'); sys.exit('astropy' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", program], check=True)
