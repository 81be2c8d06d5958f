"""Frames that other people took or wrote, inside other packages, beside what astropy says of them."""

from __future__ import annotations

import gzip
import importlib.util
import io
import warnings
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path

import astropy
import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time
from astropy.utils import iers

from manifests.findings import FindingKind
from manifests.frames.cards import read_cards
from manifests.frames.inspection import inspect_blocks, look_at_header
from manifests.frames.nights import frame_night
from manifests.frames.timescales import to_utc


@dataclass(frozen=True)
class Witness:
    """One file of a package, and where in it astropy finds what we should have found.

    `facts` are fact -> (HDU, keyword). `begun` is the HDU of DATE-OBS and, where it stands apart, the
    keyword of the time of day. `night` is the night at `longitude_deg`.
    """

    package: str
    path: str
    facts: dict[str, tuple[int, str]] = field(default_factory=dict)
    begun: tuple[int, str] | None = None
    night: date | None = None
    longitude_deg: float = 0.0
    image: int | None = None
    findings: tuple[FindingKind, ...] = ()

    def __str__(self) -> str:
        return f"{self.package}:{Path(self.path).name}"

    def file(self) -> Path:
        spec = importlib.util.find_spec(self.package)
        if spec is None or not spec.submodule_search_locations:
            pytest.skip(f"{self.package} is not installed")
        path = Path(spec.submodule_search_locations[0]) / self.path
        if not path.exists():
            pytest.skip(f"this release of {self.package} has no {self.path}")
        return path


IO, WCS = "io/fits/tests/data", "wcs/tests/data"
DATASUM, HEADER = FindingKind.DATASUM_WRONG, FindingKind.HEADER_UNREADABLE
WITNESSES = [
    Witness(
        "astropy",
        f"{IO}/test0.fits",
        {"exposure_s": (0, "EXPTIME"), "filter_name": (0, "FILTNAM1"), "image_type": (0, "IMAGETYP")},
        begun=(0, "TIME-OBS"),
        night=date(1994, 5, 19),
        image=1,
    ),
    Witness("astropy", f"{IO}/test1.fits", {"exposure_s": (0, "EXPTIME")}, begun=(0, "TIME-OBS"), image=1),
    Witness(
        "astropy",
        f"{IO}/checksum.fits",
        {
            "object_name": (0, "OBJECT"),
            "ra_deg": (0, "CRVAL1"),
            "dec_deg": (0, "CRVAL2"),
            "equinox": (0, "EQUINOX"),
        },
        begun=(1, "TIME-OBS"),
        night=date(1996, 1, 5),
        image=0,
    ),
    Witness("astropy", f"{IO}/checksum_false.fits", begun=(1, "TIME-OBS"), image=0, findings=(DATASUM,)),
    Witness(
        "astropy",
        f"{IO}/o4sp040b0_raw.fits",
        {
            "object_name": (0, "TARGNAME"),
            "filter_name": (0, "FILTER"),
            "exposure_s": (1, "EXPTIME"),
            "ra_deg": (0, "RA_TARG"),
            "bin_x": (0, "BINAXIS1"),
        },
        begun=(1, "TIME-OBS"),
        image=1,
    ),
    Witness("astropy", f"{IO}/fixed-1890.fits", {"exposure_s": (0, "EXPTIME")}, begun=(0, ""), image=0),
    Witness(
        "astropy",
        f"{IO}/random_groups.fits",
        {"object_name": (0, "OBJECT"), "ra_deg": (0, "OBSRA")},
        begun=(0, ""),
    ),
    Witness(
        "astropy",
        f"{IO}/zerowidth.fits",
        {"object_name": (5, "OBJECT"), "dec_deg": (5, "OBSDEC")},
        begun=(5, ""),
    ),
    Witness("astropy", f"{IO}/memtest.fits", {"camera": (0, "INSTRUME")}, begun=(0, ""), findings=(DATASUM,)),
    Witness(
        "astropy",
        f"{IO}/chandra_time.fits",
        {"object_name": (1, "OBJECT")},
        begun=(1, ""),
        findings=(DATASUM,),
    ),
    Witness(
        "astropy",
        f"{WCS}/header_newlines.fits",
        {
            "object_name": (0, "OBJECT"),
            "filter_name": (0, "FILTER"),
            "exposure_s": (0, "EXPTIME"),
            "altitude_deg": (0, "ALTITUDE"),
            "airmass": (0, "AIRMASS"),
            "site_latitude_deg": (0, "OBSLAT"),
            "site_longitude_deg": (0, "OBSLON"),
            "ambient_deg_c": (0, "OUTTEMP"),
            "image_type": (0, "OBSTYPE"),
            "dec_deg": (0, "OBJDECD"),
        },
        begun=(0, ""),
        night=date(2009, 6, 24),
        longitude_deg=-116.8599,
        image=0,
        findings=(DATASUM,),
    ),
    Witness(
        "astropy",
        "nddata/tests/data/sip-wcs.fits",
        {
            "filter_name": (0, "FILTER"),
            "exposure_s": (0, "EXPTIME"),
            "image_type": (0, "IMAGETYP"),
            "sensor_deg_c": (0, "CCD-TEMP"),
            "setpoint_deg_c": (0, "SET-TEMP"),
            "ra_deg": (0, "CRVAL1"),
            "dec_deg": (0, "CRVAL2"),
            "pixel_um": (0, "XPIXSZ"),
            "bin_y": (0, "YBINNING"),
        },
        begun=(0, ""),
        # The observer's own folder, in the header's history: 2011-08-31.
        night=date(2011, 8, 31),
        longitude_deg=-96.453278,
        image=0,
    ),
    Witness(
        "astropy",
        f"{WCS}/j94f05bgq_flt.fits",
        {"object_name": (0, "TARGNAME"), "filter_name": (0, "FILTER1"), "exposure_s": (0, "EXPTIME")},
        begun=(0, "TIME-OBS"),
        image=1,
    ),
    Witness(
        "astropy",
        f"{WCS}/dss.14.29.56-62.41.05.fits.gz",
        {"object_name": (0, "OBJECT"), "pixel_um": (0, "XPIXELSZ"), "rotation_deg": (0, "CROTA2")},
        begun=(0, "UT"),
        night=date(1976, 3, 11),
        longitude_deg=149.0617,
        image=0,
    ),
    Witness("astropy", f"{WCS}/header_with_time_wcslib71.fits"),
    Witness(
        "ccdproc",
        "tests/data/a8280271.fits",
        {
            "object_name": (0, "OBJECT"),
            "exposure_s": (0, "EXPTIME"),
            "airmass": (0, "SECZ"),
            "image_type": (0, "IMAGETYP"),
            "telescope": (0, "TELESCOP"),
            "gain": (0, "GAIN"),
        },
        begun=(0, "UT"),
        night=date(2013, 7, 12),
        longitude_deg=20.81,
        image=0,
    ),
    Witness(
        "astroscrappy",
        "tests/data/gmos.fits",
        {
            "object_name": (0, "OBJECT"),
            "filter_name": (0, "FILTER1"),
            "exposure_s": (0, "EXPTIME"),
            "ra_deg": (0, "RA"),
            "dec_deg": (0, "DEC"),
            "altitude_deg": (0, "ELEVATIO"),
            "airmass": (0, "AIRMASS"),
        },
        begun=(0, "TIME-OBS"),
        night=date(2019, 8, 7),
        longitude_deg=-70.73,
        image=1,
    ),
    Witness(
        "reproject", "tests/data/secchi_l0_a.fits", {"exposure_s": (0, "EXPTIME")}, begun=(0, ""), image=0
    ),
]


LIGHT = next(witness for witness in WITNESSES if witness.path.endswith("sip-wcs.fits"))
PLATE = next(witness for witness in WITNESSES if witness.path.endswith(".gz"))

each_witness = pytest.mark.parametrize("witness", WITNESSES, ids=str)
each_dated_witness = pytest.mark.parametrize(
    "witness", [known for known in WITNESSES if known.night], ids=str
)
# The library warns of much in its own old files; what is tested here warns of nothing.
library_warns = pytest.mark.filterwarnings("ignore::astropy.utils.exceptions.AstropyWarning")


def _open(path: Path) -> fits.HDUList:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return fits.open(path, disable_image_compression=True, do_not_scale_image_data=True)


def _blocks(content: bytes) -> list[bytes]:
    return [content[start : start + 1000] for start in range(0, len(content), 1000)]


@each_witness
def test_what_is_found_wrong_is_what_is_wrong(witness):
    inspection = inspect_blocks(_blocks(witness.file().read_bytes()))
    assert inspection.is_fits
    assert tuple(finding.kind for finding in inspection.findings) == witness.findings


@each_witness
def test_the_facts_are_those_that_astropy_reads(witness):
    path = witness.file()
    frame = look_at_header(path).frame
    assert frame == inspect_blocks([path.read_bytes()]).frame
    with _open(path) as hdus:
        for fact, (hdu, keyword) in witness.facts.items():
            value = hdus[hdu].header[keyword]
            expected = value.strip() if isinstance(value, str) else pytest.approx(value)
            assert getattr(frame, fact) == expected, fact


@each_witness
def test_the_image_has_the_size_that_astropy_gives_it(witness):
    path = witness.file()
    frame = look_at_header(path).frame
    if witness.image is None:
        assert (frame.width_px, frame.height_px) == (None, None)
        return
    with _open(path) as hdus:
        header = hdus[witness.image].header
    assert (frame.width_px, frame.height_px) == (header["NAXIS1"], header["NAXIS2"])


def _iso(written: str) -> str:
    """Return DD/MM/YY as ISO 8601; the FITS Standard, 4.4.2.1: of the twentieth century."""
    parts = written.split("/")
    return f"19{parts[2]}-{parts[1]}-{parts[0]}" if len(parts) == 3 else written


def _utc_by_astropy(moment: str, scale: str) -> datetime:
    with warnings.catch_warnings(), iers.conf.set_temp("auto_download", False):
        warnings.simplefilter("ignore")
        return Time(moment, scale=scale.lower()).utc.to_datetime(timezone=UTC)


@each_witness
def test_the_beginning_is_the_one_that_astropy_computes(witness):
    path = witness.file()
    inspection = look_at_header(path)
    if witness.begun is None:
        assert inspection.frame.begun_utc is None
        return
    hdu, time_keyword = witness.begun
    with _open(path) as hdus:
        header = hdus[hdu].header
        moment = _iso(header["DATE-OBS"].strip())
        moment += f"T{header[time_keyword].strip()}" if time_keyword else ""
        expected = _utc_by_astropy(moment, header.get("TIMESYS", "UTC").strip())
    assert abs((inspection.frame.begun_utc - expected).total_seconds()) < 1e-3
    assert inspection.date_only == ("T" not in moment)


@each_dated_witness
def test_the_night_is_the_observer_s(witness):
    night, _ = frame_night(look_at_header(witness.file()), 0, witness.longitude_deg)
    assert night == witness.night


def test_the_sites_and_units_of_two_real_headers():
    """A plate's exposure is in minutes; an amateur's longitude is sexagesimal, and the altitude in metres."""
    plate = look_at_header(PLATE.file()).frame
    assert plate.exposure_s == 70 * 60
    assert plate.site_latitude_deg == pytest.approx(-(31 + 16 / 60 + 24 / 3600))
    assert plate.ra_deg == pytest.approx(15 * (14 + 29 / 60 + 56 / 3600))
    light = look_at_header(LIGHT.file()).frame
    assert light.site_longitude_deg == pytest.approx(-(96 + 27 / 60 + 11.8008 / 3600))
    assert (light.altitude_deg, light.focal_length_mm) == (None, None)


def test_a_kelvin_that_no_comment_names_is_not_taken_for_celsius():
    path = Witness("ccdproc", "tests/data/a8280271.fits").file()
    assert fits.getheader(path)["CCD-TEMP"] == 180.2
    assert look_at_header(path).frame.sensor_deg_c is None


def test_a_text_file_named_fits_is_no_fits():
    path = Witness("astropy", "modeling/tests/data/idcompspec.fits").file()
    assert not look_at_header(path).is_fits
    (finding,) = inspect_blocks([path.read_bytes()], expect_fits=True).findings
    assert finding.kind is HEADER


# Every FITS file that astropy tests itself with


def _all_files() -> list[Path]:
    root = Path(astropy.__file__).parent
    return sorted(path for pattern in ("*.fits", "*.fits.gz") for path in root.rglob(pattern))


@library_warns
def test_every_card_is_read_as_astropy_reads_it():
    compared = 0
    for path in _all_files():
        if path.name == "idcompspec.fits":
            continue
        with _open(path) as hdus:
            compared += sum(_compare_cards(hdu.header) for hdu in hdus)
    assert compared > 2000


def _compare_cards(header: fits.Header) -> int:
    keywords = {card.rawkeyword for card in header.cards} - {"", "COMMENT", "HISTORY", "SIMPLE"}
    ours = read_cards(header.tostring().encode("latin-1"), {keyword.upper() for keyword in keywords})
    compared = 0
    for card in header.cards:
        found = ours.pop(card.rawkeyword.upper(), None)
        if found is not None:
            value = card.rawvalue
            assert found.value == (value.strip() if isinstance(value, str) else value)
            assert type(found.value) is type(value)
            compared += 1
    return compared


@library_warns
def test_every_sum_is_judged_as_astropy_judges_it():
    """Compare with verify_datasum, verify_checksum: 0 where wrong, 1 where right, 2 where there is none."""
    for path in _all_files():
        try:
            with _open(path) as hdus:
                verdicts = [(hdu.verify_datasum(), hdu.verify_checksum()) for hdu in hdus]
        except (OSError, ValueError, AttributeError):
            continue  # not FITS, a blank DATASUM or SIMPLE = F, which astropy does not judge
        kinds = {finding.kind for finding in inspect_blocks([path.read_bytes()]).findings}
        assert (DATASUM in kinds) == any(datasum == 0 for datasum, _ in verdicts), path
        assert (FindingKind.CHECKSUM_WRONG in kinds) == any(verdict == (1, 0) for verdict in verdicts), path


# Files that astropy writes


def _written(*hdus: fits.PrimaryHDU | fits.ImageHDU | fits.BinTableHDU | fits.CompImageHDU) -> bytes:
    stream = io.BytesIO()
    fits.HDUList(list(hdus)).writeto(stream, checksum=True)
    return stream.getvalue()


def _noise(kind: str, shape: tuple[int, ...] = (61, 83)) -> np.ndarray:
    return (np.random.default_rng(20260314).normal(1000, 30, shape)).astype(kind)


def _kinds(content: bytes) -> list[FindingKind]:
    return [finding.kind for finding in inspect_blocks(_blocks(content)).findings]


@pytest.fixture(scope="module")
def several() -> bytes:
    columns = [fits.Column("n", "J", array=np.arange(500)), fits.Column("t", "8A", array=["x"] * 500)]
    return _written(
        fits.PrimaryHDU(_noise("u2")),
        fits.ImageHDU(_noise("f4", (3, 20, 31))),
        fits.BinTableHDU.from_columns(columns),
        fits.TableHDU.from_columns([fits.Column("n", "I8", array=np.arange(33))]),
        fits.ImageHDU(),
    )


def test_the_sums_that_astropy_writes_hold_in_every_hdu(several):
    assert several.count(b"DATASUM =") == 5
    assert _kinds(several) == []


@pytest.mark.parametrize("extension", range(4))
def test_one_flipped_bit_in_any_data_unit_is_found(several, extension):
    with fits.open(io.BytesIO(several)) as hdus:
        place = hdus[extension].fileinfo()["datLoc"] + 7
    damaged = bytearray(several)
    damaged[place] ^= 1
    (finding,) = inspect_blocks([bytes(damaged)]).findings
    assert finding.kind is DATASUM
    assert ("primary" if extension == 0 else f"extension {extension}") in finding.detail


def test_an_edited_header_breaks_the_checksum_alone(several):
    edited = several.replace(b"EXTEND  =                    T", b"EXTEND  =                    F", 1)
    assert _kinds(edited) == [FindingKind.CHECKSUM_WRONG]


@pytest.mark.parametrize("algorithm", ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"])
def test_a_tile_compressed_frame_is_the_frame_that_was_compressed(algorithm):
    header = fits.Header({"OBJECT": "M 31", "DATE-OBS": "2026-03-14T21:05:33", "EXPTIME": 300.0})
    hdu = fits.CompImageHDU(_noise("i2"), header, compression_type=algorithm)
    content = _written(fits.PrimaryHDU(), hdu)
    inspection = inspect_blocks(_blocks(content))
    frame = inspection.frame
    assert (frame.width_px, frame.height_px, frame.object_name, frame.exposure_s) == (83, 61, "M 31", 300.0)
    assert (inspection.is_fits, inspection.findings) == (True, ())
    assert _kinds(content[:-3000]) == [FindingKind.DATA_CUT_SHORT]


def test_a_gzipped_frame_that_astropy_wrote_is_read_and_judged(tmp_path, several):
    path = tmp_path / "frame.fits.gz"
    with fits.open(io.BytesIO(several)) as hdus:
        hdus.writeto(path, checksum=True)
    packed = path.read_bytes()
    assert gzip.decompress(packed)[:9] == b"SIMPLE  ="
    assert _kinds(packed) == []
    assert look_at_header(path).frame == inspect_blocks([several]).frame


def test_long_strings_and_hierarch_keywords_that_astropy_writes_are_read_back():
    header = fits.Header()
    header["OBJECT"] = "a name of many words, " * 9
    header["HIERARCH Dome Shutter State"] = "it's open"
    text = header.tostring().encode()
    cards = read_cards(text, {"OBJECT", "DOME SHUTTER STATE"})
    assert cards["OBJECT"].value == header["OBJECT"].strip()
    assert cards["DOME SHUTTER STATE"].value == "it's open"


@pytest.mark.parametrize("scale", ["TAI", "TT", "TDB", "TCG", "TCB"])
@pytest.mark.parametrize(
    "moment",
    [
        "1973-06-01T00:00:00",
        "1999-01-01T00:00:40",
        "2008-12-31T23:59:50",
        "2016-02-29T12:00:00",
        "2026-03-14T21:05:33",
    ],
)
def test_time_scales_agree_with_astropy_to_a_few_milliseconds(scale, moment):
    ours = to_utc(datetime.fromisoformat(moment), scale)
    assert abs((ours - _utc_by_astropy(moment, scale)).total_seconds()) < 3e-3
