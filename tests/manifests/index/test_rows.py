"""Entries through the index and back, and lines that are none."""

from __future__ import annotations

import json
import math
from dataclasses import fields, replace
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from manifests.bags.digests import Digests
from manifests.bags.entries import Entry, entry_from_json, entry_line
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.frame_sky import FrameSky
from manifests.index.cones import direction
from manifests.index.rows import NotAnEntry, RowMaker
from manifests.index.schema import FILE_COLUMNS, SERIES_COLUMNS

MARCH_14 = date(2026, 3, 14)

TEXTS = st.text(max_size=20)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
POSITIONS = {"ra_deg": st.floats(0, 360), "dec_deg": st.floats(-90, 90), "equinox": st.just(2000.0)}
OF_A_KIND = {
    "frame_type": st.sampled_from(FrameType),
    "stage": st.sampled_from(Stage),
    "begun_utc": st.datetimes(timezones=st.just(UTC)).filter(lambda begun: 1 < begun.year < 9999),
    **dict.fromkeys(("width_px", "height_px", "bin_x", "bin_y"), st.integers(0, 2**40)),
    **POSITIONS,
}


def strategy_of(name: str, kind: str) -> st.SearchStrategy[Any]:
    plain = TEXTS if "str" in kind else NUMBERS
    return st.none() | OF_A_KIND.get(name, plain)


FRAMES = st.builds(Frame, **{each.name: strategy_of(each.name, str(each.type)) for each in fields(Frame)})
SKIES = st.builds(FrameSky, **{each.name: st.none() | st.floats(-90, 90) for each in fields(FrameSky)})
# What is known to be damaged, a bag's statements say, and no entry.
KINDS = [kind for kind in FindingKind if kind is not FindingKind.DAMAGED]
FINDINGS = st.builds(Finding, st.sampled_from(KINDS), TEXTS)
ENTRIES = st.builds(
    Entry,
    path=TEXTS.map(
        lambda text: f"data/x{text.replace(chr(92), '').replace('/', '').replace(chr(0), '')}.fits"
    ),
    size_bytes=st.integers(0, 2**63 - 1),
    digests=st.binary(min_size=32, max_size=32).map(lambda digest: Digests(digest.hex(), digest[:16].hex())),
    modified_ns=st.integers(1 - 2**63, 2**63 - 1),
    source=TEXTS,
    original=TEXTS,
    night=st.dates(),
    frame=FRAMES,
    target=st.none() | TEXTS,
    filter=st.none() | TEXTS,
    sky=st.none() | SKIES,
    findings=st.lists(FINDINGS, max_size=2).map(tuple),
)


def known_position(sky: FrameSky | None) -> bool:
    return sky is not None and sky.ra_deg is not None and sky.dec_deg is not None


@settings(max_examples=40)
@given(entries=st.lists(ENTRIES, min_size=1, max_size=4, unique_by=lambda entry: entry.path))
def test_an_entry_comes_back_from_the_index_as_it_was(new_archive: Any, entries: list[Entry]) -> None:
    archive = new_archive()
    archive.write("bag", entries)
    assert archive.rebuild().refreshed.findings == ()
    rows = {row.path: row for row in archive.frames()}
    assert len(rows) == len(entries)
    for entry in entries:
        row = rows[entry.path]
        assert row.frame == entry.frame
        assert (row.night, row.size_bytes, row.sha256) == (
            entry.night,
            entry.size_bytes,
            entry.digests.sha256,
        )
        assert row.findings == entry.findings
        assert entry.target in (None, row.target)
        assert entry.filter in (None, row.filter)
        assert (row.bag, row.absent) == ("bag", False)
        sky = entry.sky or FrameSky()
        assert replace(row.sky, ra_deg=None, dec_deg=None) == replace(sky, ra_deg=None, dec_deg=None)
        assert entry.frame is not None
        where = sky if known_position(sky) else entry.frame
        if where.ra_deg is None or where.dec_deg is None:
            where = FrameSky()
        assert (row.sky.ra_deg, row.sky.dec_deg) == (where.ra_deg, where.dec_deg)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@given(entry=ENTRIES, data=st.data())
def test_no_line_becomes_a_row_that_would_not_become_an_entry(entry: Entry, data: st.DataObject) -> None:
    line = json.loads(entry_line(entry))
    inner = data.draw(st.sampled_from([part for part in (line, line.get("frame"), line.get("sky")) if part]))
    key = data.draw(st.sampled_from(sorted(inner)))
    if data.draw(st.booleans()):
        inner[key] = data.draw(JSON)
    else:
        del inner[key]
    try:
        RowMaker().row(json.dumps(line).encode(), 1)
    except NotAnEntry:
        return
    entry_from_json(line)


@pytest.mark.parametrize(
    ("what", "line"),
    [
        ("no JSON", b'{"path": "data/a.fits"'),
        ("a list", b"[]"),
        ("a number", b"7"),
        ("not UTF-8", b'{"path": "\xff\xfe\xff"}'),
        ("nested without end", b"[" * 100_000),
        ("a number too long to be read", b"1" * 10_000),
    ],
)
def test_a_line_that_is_no_entry_says_so(what: str, line: bytes) -> None:
    with pytest.raises(NotAnEntry):
        RowMaker().row(line, 1)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("path", "data/../../x.fits"),
        ("path", "/etc/passwd"),
        ("path", "bagit.txt"),
        ("path", "data/\ud800.fits"),
        ("size_bytes", -1),
        ("size_bytes", 2**63),
        ("size_bytes", "many"),
        ("sha256", "00"),
        ("sha256", "x" * 64),
        ("night", "yesterday"),
        ("target", 31),
        ("frame", {"exposure_s": "long"}),
        ("frame", {"exposure_s": 10**400}),
        ("frame", {"gain": [1]}),
        ("frame", {"frame_type": "nonsense"}),
        ("frame", {"begun_utc": "at dusk"}),
        ("sky", {"altitude_deg": "high"}),
        ("sky", []),
        ("findings", [{"finding": "of another world", "detail": ""}]),
    ],
)
def test_a_value_that_no_column_can_hold_makes_the_line_no_entry(make: Any, key: str, value: object) -> None:
    line = json.loads(entry_line(make.light())) | {key: value}
    with pytest.raises(NotAnEntry):
        RowMaker().row(json.dumps(line).encode(), 1)


def columns(entry: Entry) -> dict[str, object]:
    row = RowMaker().row(entry_line(entry), 1)
    return dict(zip((*SERIES_COLUMNS, *FILE_COLUMNS[1:]), (*row.series, *row.own), strict=True))


@pytest.mark.parametrize("facts", [{"gain": math.inf}, {"exposure_s": math.nan}, {"gain": True}])
def test_what_no_header_gives_makes_no_row(make: Any, facts: dict[str, Any]) -> None:
    with pytest.raises(NotAnEntry):
        columns(make.framed(make.light(), **facts))


def test_what_filing_decided_is_taken_and_not_decided_again(make: Any) -> None:
    row = columns(make.light(target="Heart of the Rose", name="Ha 3 nm of mine"))
    assert (row["target"], row["filter"]) == ("Heart of the Rose", "Ha 3 nm of mine")


def test_a_frame_that_was_never_filed_is_read_as_its_header_is(make: Any) -> None:
    light = make.framed(make.light(), object_name="m 031", filter_name="H-alpha")
    row = columns(replace(light, target=None, filter=None))
    assert (row["target"], row["filter"]) == ("M 31", "Ha")


def test_an_unfiled_dark_has_no_target_and_no_filter(make: Any) -> None:
    dark = make.framed(make.calibration(1, FrameType.DARK, 300.0), object_name="M 31", filter_name="Ha")
    row = columns(dark)
    assert (row["target"], row["filter"]) == (None, None)


def test_an_unfiled_flat_has_a_filter(make: Any) -> None:
    row = columns(make.framed(make.calibration(1, FrameType.FLAT, 2.0), filter_name="Luminance"))
    assert (row["target"], row["filter"]) == (None, "L")


def test_a_log_is_no_frame_and_a_frame_without_a_readable_header_is_one(make: Any) -> None:
    assert columns(make.entry("data/weather.csv"))["is_frame"] == 0
    assert columns(make.entry("data/broken.fits"))["is_frame"] == 1


def test_a_computed_position_goes_before_the_headers(make: Any) -> None:
    row = columns(make.under(make.light(), ra_deg=10.0, dec_deg=20.0))
    assert (row["direction_x"], row["direction_y"], row["direction_z"]) == direction(10.0, 20.0)
    assert (row["ra_deg"], row["sky_ra_deg"]) == (339.2, 10.0)


def test_a_headers_position_of_another_equinox_is_brought_to_icrs(make: Any) -> None:
    from astropy import units as u
    from astropy.coordinates import FK5, SkyCoord

    light = make.framed(replace(make.light(), sky=None), ra_deg=339.6, dec_deg=34.55, equinox=2026.2)
    row = columns(light)
    icrs = SkyCoord(339.6 * u.deg, 34.55 * u.deg, frame=FK5(equinox="J2026.2")).icrs
    assert row["sky_ra_deg"] == pytest.approx(icrs.ra.deg, abs=1e-4)
    assert row["sky_dec_deg"] == pytest.approx(icrs.dec.deg, abs=1e-4)
    assert abs(row["sky_ra_deg"] - 339.6) > 0.2


@pytest.mark.parametrize("facts", [{"dec_deg": 91.0}, {"ra_deg": None}, {"equinox": 12.0}])
def test_a_position_that_cannot_be_is_not_known(make: Any, facts: dict[str, float | None]) -> None:
    row = columns(make.framed(replace(make.light(), sky=None), **facts))
    assert (row["sky_ra_deg"], row["sky_dec_deg"], row["direction_x"]) == (None, None, None)


def test_a_beginning_without_a_zone_makes_no_row(make: Any) -> None:
    naive = make.framed(make.light(), begun_utc=datetime(2026, 3, 14, 20))  # noqa: DTZ001 - what is tried
    with pytest.raises(NotAnEntry):
        columns(naive)


def test_an_entry_from_before_stages_were_read_has_the_stage_of_its_word(make: Any) -> None:
    dark = make.framed(make.calibration(1, FrameType.DARK, 300.0), image_type="Master Dark")
    assert columns(dark)["stage"] == "master"
    made = make.framed(make.calibration(1, FrameType.DARK, 300.0), stage=Stage.STACK)
    assert columns(made)["stage"] == "stack"
    assert columns(make.calibration(1, FrameType.DARK, 300.0))["stage"] is None


# Values that no list can show

ZONES = st.timezones() | st.builds(timezone, st.timedeltas(timedelta(hours=-23), timedelta(hours=23)))
ANY_TEXTS = st.text(st.characters(), max_size=5) | st.integers(0, 3000).map("x".__mul__)
ANYTHING: dict[str, st.SearchStrategy[Any]] = {
    "begun_utc": st.datetimes(timezones=ZONES),
    "frame_type": st.sampled_from(FrameType),
    "stage": st.sampled_from(Stage),
}


def anything(name: str, kind: str) -> st.SearchStrategy[Any]:
    plain = ANY_TEXTS if "str" in kind else st.integers() if "int" in kind else NUMBERS
    return st.none() | ANYTHING.get(name, plain)


@settings(max_examples=60)
@given(
    frame=st.builds(Frame, **{each.name: anything(each.name, str(each.type)) for each in fields(Frame)}),
    target=ANY_TEXTS,
    name=ANY_TEXTS,
    detail=ANY_TEXTS,
)
def test_what_is_taken_into_a_row_can_be_read_out_of_it(
    new_archive: Any, make: Any, frame: Frame, target: str, name: str, detail: str
) -> None:
    archive = new_archive()
    found = Finding(FindingKind.NO_DATE, detail)
    entry = make.entry("data/one.fits", frame, target=target, filter=name, findings=(found,))
    archive.write("bag", [entry])
    assert archive.rebuild().refreshed.findings == ()
    (row,) = archive.frames()
    read = entry_from_json(json.loads(entry_line(entry)))
    assert row.frame == read.frame
    assert {each.detail for each in row.findings[1:]} == {each.detail for each in read.findings[1:]}
    for value in (row.target, row.filter, row.findings[0].detail):
        assert value is None or len(value.encode()) <= 4000
    if row.frame.begun_utc is not None:
        for hours in (-23, 23):
            row.frame.begun_utc.astimezone(timezone(timedelta(hours=hours))) + timedelta(hours=hours)
    left_out = [each.detail.split()[0] for each in row.findings if each.kind is FindingKind.VALUE_LEFT_OUT]
    assert all(getattr(row.frame, fact, None) is None for fact in left_out)
