from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from manifests.frames.frame import Frame, FrameType
from manifests.frames.headers import FrameReader, facts_from_headers, frame_from_headers
from manifests.frames.keywords import KEYWORDS


@pytest.fixture(scope="session")
def frame_of(primary):
    """Return the frame of a primary header with the given cards."""
    return lambda *cards, axes=(8, 6): frame_from_headers([primary(*cards, axes=axes)])


def test_a_usual_light_is_read_whole(frame_of):
    frame = frame_of(
        ("IMAGETYP", "Light Frame"),
        ("OBJECT", "NGC 7331"),
        ("FILTER", "Ha"),
        ("DATE-OBS", "2026-03-14T21:05:33.250"),
        ("EXPTIME", 300.0, "[s] exposure"),
        ("INSTRUME", "Camera one"),
        ("TELESCOP", "Refractor"),
        ("OBSERVER", "somebody"),
        ("SWCREATE", "a program"),
        ("XBINNING", 2),
        ("YBINNING", 2),
        ("GAIN", 100),
        ("OFFSET", 50),
        ("READOUTM", "High Gain"),
        ("BAYERPAT", "rggb"),
        ("CCD-TEMP", -10.1),
        ("SET-TEMP", -10.0),
        ("RA", 339.25),
        ("DEC", 34.4),
        ("EQUINOX", "J2000"),
        ("ROTATANG", 87.5),
        ("FOCALLEN", 530),
        ("XPIXSZ", 3.76),
        ("OBJCTALT", "58.25"),
        ("AIRMASS", 1.17),
        ("SITELAT", "+51 12 00"),
        ("SITELONG", "-001 54 00"),
        ("FOCPOS", 12040),
        ("FOCTEMP", 3.5),
        ("AMBTEMP", 2.25),
    )
    assert frame == Frame(
        frame_type=FrameType.LIGHT,
        image_type="Light Frame",
        object_name="NGC 7331",
        filter_name="Ha",
        begun_utc=datetime(2026, 3, 14, 21, 5, 33, 250000, UTC),
        exposure_s=300.0,
        camera="Camera one",
        telescope="Refractor",
        observer="somebody",
        program="a program",
        width_px=8,
        height_px=6,
        bin_x=2,
        bin_y=2,
        gain=100.0,
        offset=50.0,
        readout_mode="High Gain",
        bayer_pattern="RGGB",
        sensor_deg_c=-10.1,
        setpoint_deg_c=-10.0,
        ra_deg=339.25,
        dec_deg=34.4,
        equinox=2000.0,
        rotator_deg=87.5,
        focal_length_mm=530.0,
        pixel_um=3.76,
        altitude_deg=58.25,
        airmass=1.17,
        site_latitude_deg=51.2,
        site_longitude_deg=-1.9,
        focuser_position=12040.0,
        focuser_deg_c=3.5,
        ambient_deg_c=2.25,
    )


def test_an_empty_header_is_a_frame_without_facts(primary):
    assert frame_from_headers([primary()]) == Frame()
    assert frame_from_headers([]) == Frame()


def test_the_primary_header_comes_first_and_extensions_fill_the_gaps(primary, extension):
    first = primary(("OBJECT", "M 81"), ("FILTER", "   "))
    second = extension(
        ("OBJECT", "other"), ("FILTER", "L"), ("DATE-OBS", "2026-03-14T21:05:33"), axes=(40, 30)
    )
    frame = frame_from_headers([first, second])
    assert (frame.object_name, frame.filter_name, frame.width_px, frame.height_px) == ("M 81", "L", 40, 30)
    assert frame.begun_utc == datetime(2026, 3, 14, 21, 5, 33, tzinfo=UTC)


def test_a_time_of_day_is_not_taken_from_another_header_than_its_date(primary, extension):
    headers = [primary(("DATE-OBS", "2026-03-14")), extension(("DATE-OBS", "2026-03-10"), ("UT", "01:00:00"))]
    assert frame_from_headers(headers).begun_utc == datetime(2026, 3, 10, 1, tzinfo=UTC)
    alone = facts_from_headers([headers[0], extension(("UT", "01:00:00"))])
    assert (alone.frame.begun_utc, alone.date_only) == (datetime(2026, 3, 14, tzinfo=UTC), True)


def test_an_extension_without_a_time_scale_keeps_to_the_primary_s(primary, extension):
    date = ("DATE-OBS", "2026-03-14T21:05:33")
    inherited = frame_from_headers([primary(("TIMESYS", "TAI")), extension(date)])
    own = frame_from_headers([primary(("TIMESYS", "TAI")), extension(("TIMESYS", "UTC"), date)])
    assert inherited.begun_utc == datetime(2026, 3, 14, 21, 4, 56, tzinfo=UTC)
    assert own.begun_utc == datetime(2026, 3, 14, 21, 5, 33, tzinfo=UTC)


def test_local_time_and_the_header_s_own_date_are_kept_apart_from_utc(primary, extension):
    cards = [("DATE-LOC", "2026-03-14T23:05:33"), ("DATE", "2026-03-15T09:00:00")]
    facts = facts_from_headers([primary(), extension(*cards)])
    assert facts.frame.begun_utc is None
    assert facts.begun_local == datetime(2026, 3, 14, 23, 5, 33)  # noqa: DTZ001 (local)
    assert facts.written_utc == datetime(2026, 3, 15, 9, tzinfo=UTC)
    doubtful = facts_from_headers([primary(("DATE-OBS", "14/03/26"))])
    assert "1926" in doubtful.date_remark


def test_the_middle_of_the_exposure_is_moved_back_by_half_of_it(frame_of):
    frame = frame_of(("DATE-AVG", "2026-03-14T21:05:00"), ("EXPTIME", 600))
    assert frame.begun_utc == datetime(2026, 3, 14, 21, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("cards", "expected"),
    [
        ([("FILTER1", "F606W"), ("FILTER2", "CLEAR2L")], "F606W"),
        ([("FILTER1", "GG455_G0329"), ("FILTER2", "open2-8")], "GG455_G0329"),
        ([("FILTER1", "U"), ("FILTER2", "ND4")], "U + ND4"),
        ([("FILTER1", "Clear"), ("FILTER2", "Empty")], "Clear"),
        ([("FILTER1", 33), ("FILTER2", 0), ("FILTNAM1", "F673N")], "F673N"),
        ([("FILTER", "L"), ("FILTER1", "R")], "L"),
        ([("FILTER", "Clear")], "Clear"),
        ([("FILTER", 3)], "3"),
        ([("FILTER", ""), ("FILTER1", "R")], "R"),
        ([("FILTER1", 3)], None),
        ([("FILTNAME", "OIII")], "OIII"),
        ([("FILTERID", "SII")], "SII"),
        ([("FWHEEL", "Ha 3nm")], "Ha 3nm"),
        ([("FILTER", 3), ("FILTNAME", "Ha")], "Ha"),
        ([("FILTER", "Unknown"), ("FWHEEL", "Ha")], "Ha"),
        ([("FILTER", "Unknown"), ("FILTER1", "Ha")], "Ha"),
        ([("FILTER", "Unknown"), ("FWHEEL", 2)], "Unknown"),
        ([], None),
    ],
)
def test_the_filter_is_what_stands_in_the_light_s_path(frame_of, cards, expected):
    assert frame_of(*cards).filter_name == expected


@pytest.mark.parametrize(
    ("cards", "word", "kind"),
    [
        ([("IMAGETYP", "DarkFlat")], "DarkFlat", FrameType.DARK_FLAT),
        ([("IMAGETYP", "EXT"), ("OBSTYPE", "object")], "object", FrameType.LIGHT),
        ([("IMAGETYP", "EXT")], "EXT", None),
        ([("FRAME", "Light")], "Light", FrameType.LIGHT),
        ([("FRAME", "FK5")], None, None),
        ([], None, None),
    ],
)
def test_the_type_is_the_first_word_that_means_one(frame_of, cards, word, kind):
    frame = frame_of(*cards)
    assert (frame.image_type, frame.frame_type) == (word, kind)


@pytest.mark.parametrize(
    ("cards", "expected"),
    [
        ([("XBINNING", 2), ("YBINNING", 3)], (2, 3)),
        ([("CCDSUM", "2 1")], (2, 1)),
        ([("BINNING", "4x4")], (4, 4)),
        ([("BINNING", 2)], (2, 2)),
        ([("BINNING", "0x0")], (None, None)),
        ([("XBINNING", "two")], (None, None)),
    ],
)
def test_binning_is_read_from_one_card_or_from_two(frame_of, cards, expected):
    frame = frame_of(*cards)
    assert (frame.bin_x, frame.bin_y) == expected


def test_a_position_that_was_pointed_to_comes_before_a_solved_one(frame_of):
    solved = [("CTYPE1", "RA---TAN-SIP"), ("CTYPE2", "DEC--TAN-SIP"), ("CRVAL1", 280.5), ("CRVAL2", 0.1)]
    pointed = [("OBJCTRA", "14 29 56"), ("OBJCTDEC", "-62 41 05")]
    assert (frame_of(*solved).ra_deg, frame_of(*solved).dec_deg) == (280.5, 0.1)
    frame = frame_of(*pointed, *solved)
    assert (frame.ra_deg, frame.dec_deg) == (pytest.approx(217.4833333), pytest.approx(-62.6847222))


@pytest.mark.parametrize(
    ("cards", "expected_deg"),
    [
        ([("RA", 14.4989), ("OBJCTRA", "14 29 56"), ("DEC", -62.7)], 217.4835),
        ([("RA", 217.4989), ("OBJCTRA", "14 29 56"), ("DEC", -62.7)], 217.4989),
        ([("RA", 14.4989, "[h]"), ("OBJCTRA", "14 29 56"), ("DEC", -62.7)], 217.4835),
        ([("RA", 0.01), ("OBJCTRA", "00 00 02.4"), ("DEC", -62.7)], 0.01),
        ([("RA", 23.999), ("OBJCTRA", "00 00 00"), ("DEC", -62.7)], 359.985),
        ([("RA", 14.4989), ("OBJCTRA", "03 00 00"), ("DEC", -62.7)], 14.4989),
        ([("RA", 14.4989), ("DEC", -62.7)], 14.4989),
    ],
)
def test_a_right_ascension_in_decimal_hours_shows_beside_a_sexagesimal_one(frame_of, cards, expected_deg):
    assert frame_of(*cards).ra_deg == pytest.approx(expected_deg, abs=1e-6)


def test_half_a_position_or_one_in_another_system_is_none(frame_of):
    assert frame_of(("RA", 10.0)).ra_deg is None
    galactic = [("CTYPE1", "GLON-TAN"), ("CTYPE2", "GLAT-TAN"), ("CRVAL1", 280.5), ("CRVAL2", 0.1)]
    assert frame_of(*galactic).ra_deg is None


@pytest.mark.parametrize(
    ("cards", "expected_deg"),
    [
        ([("ALTITUDE", 36.81047, "[deg] Telescope altitude")], 36.81047),
        ([("ALTITUDE", 311.8, "[meters] Observatory altitude")], None),
        ([("ALTITUDE", 81.8, "[meters] Observatory altitude"), ("AZIMUTH", 120.0)], None),
        ([("ALTITUDE", 81.8, "site altitude"), ("AZIMUTH", 120.0)], None),
        ([("ALTITUDE", 45.0)], None),
        ([("ALTITUDE", 45.0), ("AZIMUTH", 120.0)], 45.0),
        ([("ELEVATIO", 66.9, "Current Elevation"), ("AZIMUTH", 133.8)], 66.9),
        ([("ALTITUDE", 45.0, "[deg]"), ("OBJCTALT", 44.0)], 44.0),
        ([("OBJCTALT", 144.0)], None),
    ],
)
def test_a_height_above_the_sea_is_not_an_altitude_above_the_horizon(frame_of, cards, expected_deg):
    assert frame_of(*cards).altitude_deg == expected_deg


@pytest.mark.parametrize(
    ("value", "expected"), [("RGGB", "RGGB"), (" gbrg ", "GBRG"), ("TRUE", None), ("RGB", None)]
)
def test_a_bayer_pattern_is_four_colours(frame_of, value, expected):
    assert frame_of(("BAYERPAT", value)).bayer_pattern == expected


@pytest.mark.parametrize(
    ("cards", "expected"),
    [([("EQUINOX", 2000.0)], 2000.0), ([("EPOCH", "B1950.0")], 1950.0), ([("EQUINOX", "now")], None)],
)
def test_an_equinox_is_a_year_in_any_spelling(frame_of, cards, expected):
    assert frame_of(*cards).equinox == expected


@pytest.mark.parametrize(
    ("cards", "expected"),
    [
        ([("RADESYS", "FK4")], 1950.0),
        ([("RADECSYS", "fk4")], 1950.0),
        ([("RADESYS", "FK4-NO-E")], 1950.0),
        ([("RADESYS", "FK4"), ("EQUINOX", 1975.0)], 1975.0),
        ([("RADESYS", "FK5")], 2000.0),
        ([("RADESYS", "FK5"), ("EQUINOX", 2026.2)], 2026.2),
        ([("RADESYS", "ICRS"), ("EQUINOX", 1950.0)], None),
        ([("RADESYS", "ICRS")], None),
        ([("EQUINOX", 1950.0)], 1950.0),
        ([], None),
    ],
)
def test_the_equinox_follows_the_coordinate_system(frame_of, cards, expected):
    """FITS Standard 4.0, section 8.3: EQUINOX defaults to 1950 for FK4, 2000 for FK5; ICRS has none."""
    assert frame_of(*cards).equinox == expected


@pytest.mark.parametrize(
    ("cards", "expected"),
    [
        ([("ROTATANG", 87.5), ("OBJCTROT", 12.0)], (12.0, 87.5)),
        ([("ROTATOR", 87.5)], (None, 87.5)),
        ([("POSANGLE", 12.0)], (12.0, None)),
        ([("CROTA2", -12.0)], (-12.0, None)),
        ([("ROTATANG", 87.5, "[deg] rotator angle on the sky")], (None, 87.5)),
        ([("ROTATANG", 12.0, "[deg] position angle")], (12.0, None)),
        ([("ROTATANG", 12.0, "[deg] sky angle"), ("ROTATOR", 87.5)], (12.0, 87.5)),
        ([("POSANGLE", 87.5, "mechanical angle")], (None, 87.5)),
        ([("ROTATOR", "Turntable 3")], (None, None)),
        ([], (None, None)),
    ],
)
def test_the_angle_on_the_sky_and_the_rotator_s_are_two_facts(frame_of, cards, expected):
    frame = frame_of(*cards)
    assert (frame.rotation_deg, frame.rotator_deg) == expected


def test_the_camera_s_serial_number_is_read_in_either_form(frame_of):
    assert frame_of(("CAMSER", "0042A")).camera_serial == "0042A"
    assert frame_of(("SERIALNO", 42)).camera_serial == "42"


def test_one_broken_fact_does_not_take_the_others_with_it(frame_of):
    frame = frame_of(
        b"EXPTIME = 'no closing quote",
        ("EXPOSURE", 60.0),
        b"RA      = 12 34",
        b"GAIN    = (1",
        ("DATE-OBS", "garbage"),
        ("OBJECT", "M 42"),
    )
    assert (frame.exposure_s, frame.object_name, frame.gain, frame.begun_utc) == (60.0, "M 42", None, None)


def test_a_frame_is_settled_when_image_exposure_and_time_are_known(primary, extension):
    reader = FrameReader()
    reader.add(primary(("EXPTIME", 1.0), ("DATE-OBS", "2026-03-14")), None)
    assert not reader.settled
    reader.add(extension(), (4, 4))
    assert not reader.settled
    reader.add(extension(("DATE-OBS", "2026-03-14T01:00:00")), None)
    assert reader.settled


def _finite(frame: Frame) -> bool:
    return all(math.isfinite(fact) for fact in frame.as_facts().values() if isinstance(fact, float))


_VALUES = st.one_of(
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60).map(lambda text: f"'{text}'"),
    st.floats().map(repr),
    st.integers().map(str),
    st.sampled_from(
        ["T", "F", "", "1E999", "-1.7D308", "'2026-02-31T99:99:99'", "(1,2)", "'0.0.0'", "/ [K]"]
    ),
)


@settings(max_examples=200)
@given(st.lists(st.tuples(st.sampled_from(sorted(KEYWORDS.wanted)), _VALUES), max_size=25))
def test_no_values_of_known_keywords_raise_and_all_facts_can_be_written_down(header, cards):
    frame = frame_from_headers([header(*((keyword, value.encode()) for keyword, value in cards))])
    assert _finite(frame)
    assert Frame.from_facts(frame.as_facts()) == frame


@given(st.lists(st.binary(max_size=1000), max_size=3))
def test_no_bytes_raise(headers):
    frame_from_headers(headers)
