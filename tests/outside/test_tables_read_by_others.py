"""Lists of frames as others read them: astropy's readers and validator, the csv module, IVOA's tables.

- VOTable 1.4 and UCD1+: astropy.io.votable, which has the IVOA's schema rules and controlled vocabulary.
- ObsCore 1.1 (IVOA Recommendation, 9 May 2017): its mandatory columns, and which of them may not be null.
  UCDs, units and utypes are compared with what the Canadian Astronomy Data Centre's SIA2 service and GAVO's
  ObsTAP service publish, read from the answers recorded in pyvo's tests.
- ECSV (Astropy Proposal for Enhancement 6): astropy.table, which defines it.
- CSV (RFC 4180): the csv module, and astropy's reader, which shares no code with it.
- MJD: astropy.time. Positions: astropy.coordinates.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import warnings
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvo
from astropy import units
from astropy.coordinates import SkyCoord
from astropy.io.votable import parse, validate
from astropy.io.votable.tree import TableElement, VOTableFile
from astropy.io.votable.ucd import check_ucd
from astropy.table import Table
from astropy.time import Time
from click.testing import CliRunner

from manifests.frames.frame import FrameType
from tests.support.archives import calibration, light, log, sky, small_archive, write_bag
from transfer.archive.positions import degrees_of_position
from transfer.cli.formats.columns import COLUMNS
from transfer.cli.formats.obscore import OBSCORE
from transfer.cli.main import main

# ObsCore 1.1, table 5 and appendix C: the mandatory columns, in order, and those that may not be null.
MANDATORY = [
    "dataproduct_type",
    "calib_level",
    "obs_collection",
    "obs_id",
    "obs_publisher_did",
    "access_url",
    "access_format",
    "access_estsize",
    "target_name",
    "s_ra",
    "s_dec",
    "s_fov",
    "s_region",
    "s_xel1",
    "s_xel2",
    "s_resolution",
    "t_min",
    "t_max",
    "t_exptime",
    "t_resolution",
    "t_xel",
    "em_min",
    "em_max",
    "em_res_power",
    "em_xel",
    "o_ucd",
    "pol_states",
    "pol_xel",
    "facility_name",
    "instrument_name",
]
NOT_NULL = ["calib_level", "obs_collection", "obs_id", "obs_publisher_did"]

# How two data centres describe the columns, in answers that pyvo's own tests keep. The second describes the
# identifier that the first describes as a link.
_RECORDED = Path(pyvo.__file__).parent / "dal" / "tests" / "data"
DATA_CENTRE, OTHER_DATA_CENTRE = _RECORDED / "sia2" / "dataset.xml", _RECORDED / "tap" / "obscore-image.xml"
NOT_IN_THE_FIRST = "obs_publisher_did"


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return an archive with frames that know everything, and some that know next to nothing."""
    root = small_archive(tmp_path_factory.mktemp("outside") / "archive")
    odd = [
        light(20, "Hα, <the> “long” & way", "馬", stem="odd", frame={"camera": 'Lantern "26C", rear\tside'}),
        sky(light(21, "M 33", stem="dark"), ra_deg=None, dec_deg=None, altitude_deg=None),
        light(22, "M 33", frame={"exposure_s": None, "begun_utc": None, "width_px": None, "telescope": None}),
        light(23, "M 33", stem="packed").at("data/packed 023.fits.gz"),
        light(24, "M 33", frame={"exposure_s": -1.0}),
        calibration(FrameType.DARK_FLAT, 25, 2.5),
        log("notes.txt"),
    ]
    write_bag(root / "odd", odd)
    return root


def listed(root: Path, form: str, *words: str) -> bytes:
    answer = CliRunner().invoke(main, ["frames", "--archive", str(root), f"--{form}", *words])
    assert answer.exit_code == 0, answer.output
    return answer.stdout_bytes


@pytest.fixture(scope="module")
def frames(root: Path) -> list[dict[str, Any]]:
    """Return the same list as JSON, which the other forms must agree with."""
    found: list[dict[str, Any]] = json.loads(listed(root, "json"))["frames"]
    return found


@pytest.fixture(scope="module")
def document(root: Path) -> VOTableFile:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return parse(io.BytesIO(listed(root, "votable")), verify="exception")


@pytest.fixture(scope="module")
def table(document: VOTableFile) -> TableElement:
    return document.get_first_table()


def told(value: object) -> object:
    """Return a value of a table as JSON has it: None where it is masked or empty."""
    if value is np.ma.masked or value == "":
        return None
    return value.item() if isinstance(value, np.generic) else value


def expected(frame: dict[str, Any], name: str) -> object:
    if name == "findings":
        return "; ".join(one["finding"] for one in frame["findings"]) or None
    value = frame[name]
    return value.replace("\t", r"\t") if isinstance(value, str) else value


# VOTable and ObsCore


def test_the_validator_finds_no_violation(root: Path, tmp_path: Path) -> None:
    file = tmp_path / "frames.vot"
    for words in ([], ["--target", "nothing of the kind"], ["--limit", "1"]):
        file.write_bytes(listed(root, "votable", *words))
        report = io.StringIO()
        assert validate(os.fspath(file), output=report), report.getvalue()
        assert "no violations" in report.getvalue()


def test_the_mandatory_columns_come_first_in_the_standards_order(table: TableElement) -> None:
    assert [field.name for field in table.fields][: len(MANDATORY)] == MANDATORY
    assert [column.name for column in OBSCORE] == MANDATORY


def described_by(answer: Path) -> dict[str, tuple[str, str, str]]:
    """Return the UCD, unit and utype of each column in a data centre's answer."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the services' own slips
        fields = parse(answer).get_first_table().fields
    return {field.name: as_described(field) for field in fields}


def as_described(field: Any) -> tuple[str, str, str]:
    return str(field.ucd), str(field.unit or ""), str(field.utype).lower()


@pytest.mark.parametrize("name", [name for name in MANDATORY if name != "dataproduct_type"])
def test_a_column_is_described_as_a_data_centre_describes_it(table: TableElement, name: str) -> None:
    field = next(field for field in table.fields if field.name == name)
    answer = OTHER_DATA_CENTRE if name == NOT_IN_THE_FIRST else DATA_CENTRE
    assert as_described(field) == described_by(answer)[name]


@pytest.mark.parametrize("name", NOT_NULL)
def test_what_may_not_be_null_is_not(table: TableElement, name: str) -> None:
    values = table.array[name]
    assert len(values) == 20
    assert not values.mask.any()
    assert all(value != "" for value in values)


def test_a_raw_frame_is_an_image_of_level_one(table: TableElement) -> None:
    row = table.array[-1]
    assert (row["dataproduct_type"], row["calib_level"], row["o_ucd"]) == ("image", 1, "phot.count")
    formats = {row["obs_id"]: row["access_format"] for row in table.array}
    assert formats["odd/data/packed 023.fits.gz"] == "application/gzip"
    assert set(formats.values()) == {"image/fits", "application/gzip"}


def test_every_identifier_is_of_one_frame(table: TableElement) -> None:
    for name in ("obs_id", "obs_publisher_did", "access_url"):
        assert len(set(table.array[name])) == 20
    # IVOA Identifiers 2.0, section 2.3: an authority, a resource's path, and what it has after the "?".
    for did in table.array["obs_publisher_did"]:
        assert re.fullmatch(r"ivo://[A-Za-z0-9][\w.~-]{2,}/[\w.~-]+\?[0-9a-f]{64}", did)


def test_times_are_what_astropy_makes_of_them(table: TableElement, frames: list[dict[str, Any]]) -> None:
    by_path = {frame["path"]: frame for frame in frames}
    timed = [row for row in table.array if row["t_min"] is not np.ma.masked]
    assert len(timed) == sum(frame.get("begun_utc") is not None for frame in frames) > 0
    for row in timed:
        begun = Time(by_path[row["path"]]["begun_utc"].rstrip("Z"), scale="utc")
        lasted = max(0.0, by_path[row["path"]]["exposure_s"])
        assert row["t_min"] == pytest.approx(begun.mjd, abs=1e-9)
        assert row["t_max"] == pytest.approx((begun + lasted * units.s).mjd, abs=1e-9)


def test_a_leap_second_aside_an_mjd_is_the_standards() -> None:
    from transfer.cli.formats.obscore import mjd

    # Meeus, Astronomical Algorithms, example 7.a: JD 2436116.31.
    assert mjd(datetime(1957, 10, 4, 19, 26, 24, tzinfo=UTC)) == pytest.approx(2436116.31 - 2400000.5)


def test_positions_are_icrs_and_read_as_such(table: TableElement) -> None:
    placed = [row for row in table.array if row["target_name"] == "M 51"]
    where = SkyCoord([row["s_ra"] for row in placed], [row["s_dec"] for row in placed], unit="deg")
    # The centre of M 51 is at 13h29m52.7s +47°11′43″ (from memory).
    assert max(where.separation(SkyCoord("13h29m52.7s +47d11m43s")).arcmin) < 2


def test_the_systems_of_positions_and_times_are_named(document: VOTableFile, table: TableElement) -> None:
    resource = document.resources[0]
    assert [(each.ID, each.system) for each in resource.coordinate_systems] == [("icrs", "ICRS")]
    (utc,) = resource.time_systems
    assert (utc.ID, utc.timescale, utc.refposition, float(utc.timeorigin)) == (
        "utc",
        "UTC",
        "TOPOCENTER",
        2400000.5,
    )
    refs = {field.name: field.ref for field in table.fields if field.ref}
    assert (refs["s_ra"], refs["s_dec"], refs["t_min"], refs["t_max"]) == ("icrs", "icrs", "utc", "utc")


def test_the_field_is_the_circle_that_holds_it(table: TableElement) -> None:
    row = next(row for row in table.array if row["target_name"] == "M 51")
    # 6248 × 4176 pixels of 3.76 µm behind 480 mm: 2.803° by 1.874°, by the tangent of the half angles.
    wide, high = (2 * np.degrees(np.arctan(n * 3.76e-3 / 2 / 480)) for n in (6248, 4176))
    assert (wide, high) == pytest.approx((2.803, 1.874), abs=1e-3)
    corner = 2 * np.degrees(np.arctan(np.hypot(6248, 4176) * 3.76e-3 / 2 / 480))
    assert row["s_fov"] == pytest.approx(corner)


@pytest.mark.parametrize(
    "ucd", sorted({column.ucd for column in COLUMNS if column.ucd} | {c.ucd for c in OBSCORE})
)
def test_every_ucd_is_of_the_controlled_vocabulary(ucd: str) -> None:
    assert check_ucd(ucd, check_controlled_vocabulary=True)


@pytest.mark.parametrize("unit", sorted({column.unit for column in COLUMNS if column.unit}))
def test_every_unit_is_one(unit: str) -> None:
    assert units.Unit(unit, parse_strict="raise")
    if unit != "deg_C":  # which VOUnits 1.0 has no word for
        assert units.Unit(unit, format="vounit", parse_strict="raise")


def test_every_fact_arrives_in_a_votable(table: TableElement, frames: list[dict[str, Any]]) -> None:
    rows = {str(row["path"]): row for row in table.array}
    assert len(rows) == len(frames) == 20
    for frame in frames:
        for name in (*(column.name for column in COLUMNS), "findings"):
            assert told(rows[frame["path"]][name]) == expected(frame, name), name


# ECSV and CSV


def test_every_fact_arrives_in_an_ecsv(root: Path, frames: list[dict[str, Any]]) -> None:
    table = Table.read(listed(root, "ecsv").decode(), format="ascii.ecsv")
    assert len(table) == len(frames)
    for row, frame in zip(table, frames, strict=True):
        for name in ("path", *(column.name for column in COLUMNS), "findings"):
            assert told(row[name]) == expected(frame, name), name


def test_an_ecsv_has_the_units(root: Path) -> None:
    table = Table.read(listed(root, "ecsv").decode(), format="ascii.ecsv")
    assert table["exposure_s"].unit == units.s
    assert table["ra_deg"].unit == units.deg
    assert table["sensor_deg_c"].unit == units.deg_C
    assert table["pixel_um"].unit == units.um


def test_an_ecsv_of_nothing_is_a_table(root: Path) -> None:
    table = Table.read(listed(root, "ecsv", "--target", "nothing").decode(), format="ascii.ecsv")
    assert len(table) == 0
    assert "exposure_s" in table.colnames


def test_two_readers_find_the_same_in_a_csv(root: Path, frames: list[dict[str, Any]]) -> None:
    text = listed(root, "csv").decode()
    by_csv = list(csv.DictReader(io.StringIO(text), strict=True))
    by_astropy = Table.read(text, format="ascii.csv", converters={"*": [str]}, fill_values=[])
    assert by_astropy.colnames == list(by_csv[0])
    for row, other, frame in zip(by_csv, by_astropy, frames, strict=True):
        for name in row:
            assert row[name] == str(other[name])
            wanted = expected(frame, name)
            plain = "" if wanted is None else str(wanted).lower() if isinstance(wanted, bool) else str(wanted)
            assert row[name] == plain


# Positions as they are typed


@pytest.mark.parametrize(
    ("typed", "read"),
    [
        ("13h29m52.7s +47d11m43s", ("13h29m52.7s +47d11m43s", None)),
        ("13:29:52.7 +47:11:43", ("13h29m52.7s +47d11m43s", None)),
        ("13 29 52.7 +47 11 43", ("13h29m52.7s +47d11m43s", None)),
        ("202.4696 47.1953", (None, (202.4696, 47.1953))),
        ("202.4696deg,47.1953deg", (None, (202.4696, 47.1953))),
        ("23h59m59.9s -89d59m59s", ("23h59m59.9s -89d59m59s", None)),
        ("J132952.7+471143", ("13h29m52.7s +47d11m43s", None)),
    ],
)
def test_a_position_is_where_astropy_says(
    typed: str, read: tuple[str | None, tuple[float, float] | None]
) -> None:
    text, degrees = read
    wanted = SkyCoord(text) if text else SkyCoord(*(degrees or ()), unit="deg")
    assert SkyCoord(*degrees_of_position(typed), unit="deg").separation(wanted).arcsec < 1e-3
