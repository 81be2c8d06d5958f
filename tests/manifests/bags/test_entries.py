"""Lines of entries that somebody else wrote, or that a drive has made of ours."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.bags.digests import Digests
from manifests.bags.entries import Entry, EntryError, entry_from_line, entry_line, read_entries
from manifests.frames.frame import Frame, FrameType

ENTRY = Entry(
    "data/frames/one.fits",
    2880,
    Digests("a" * 64, "b" * 32),
    1_773_525_600_000_000_000,
    "frames",
    "one.fits",
    date(2026, 3, 14),
    frame=Frame(
        FrameType.LIGHT, object_name="M 31", begun_utc=datetime(2026, 3, 14, 22, tzinfo=UTC), exposure_s=300.0
    ),
)
LINE = json.loads(entry_line(ENTRY))


def _refused(line: bytes) -> EntryError:
    with pytest.raises(EntryError) as caught:
        list(read_entries([entry_line(ENTRY), line]))
    assert caught.value.line == 2
    return caught.value


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"\n",
        b"null",
        b"[]",
        b'"path"',
        b"{}",
        b"\xff\xfe{}",
        b'{"path": 1e400}',
        b"[" * 100_000,
        b'{"a":' * 100_000,
    ],
)
def test_a_line_that_is_no_entry_is_said_to_be_none(line):
    _refused(line)


@pytest.mark.parametrize(
    ("key", "written"),
    [
        ("size_bytes", "1e400"),
        ("size_bytes", "Infinity"),
        ("modified_ns", "NaN"),
        ("modified_ns", "9" * 5_000),
        ("night", '"2026-02-30"'),
        ("night", "5"),
        ("frame", "[1]"),
        ("frame", '"x"'),
        ("sky", '{"ra_deg": ' + "9" * 400 + "}"),
        ("findings", '["x"]'),
        ("findings", '[{"finding": "no such finding", "detail": ""}]'),
    ],
)
def test_a_value_that_its_key_cannot_have_is_refused(key, written):
    rest = {name: value for name, value in LINE.items() if name != key}
    _refused(json.dumps(rest)[:-1].encode() + f', "{key}": {written}}}'.encode())


@pytest.mark.parametrize(
    ("fact", "value"),
    [
        ("exposure_s", "300"),
        ("exposure_s", True),
        ("exposure_s", float("nan")),
        ("gain", float("inf")),
        ("gain", 10**400),
        ("width_px", 1.5),
        ("object_name", 31),
        ("object_name", ["M 31"]),
        ("frame_type", "sketch"),
        ("begun_utc", 5),
        ("begun_utc", "2026-03-14T22:00:00"),
    ],
)
def test_a_fact_that_is_not_of_its_kind_is_refused(fact, value):
    _refused(json.dumps({**LINE, "frame": {**LINE["frame"], fact: value}}).encode())


def test_a_fact_of_another_version_and_one_that_is_not_known_are_let_be():
    frame = {**LINE["frame"], "seeing_arcsec": 2.1, "gain": None}
    assert list(read_entries([json.dumps({**LINE, "frame": frame}).encode()])) == [ENTRY]


_ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner, max_size=3),
    max_leaves=6,
)


@given(st.dictionaries(st.sampled_from(sorted(LINE)), _ANYTHING, max_size=3), st.sampled_from(sorted(LINE)))
def test_whatever_is_in_a_line_it_is_an_entry_or_said_to_be_none(others, missing):
    line = json.dumps({name: value for name, value in (LINE | others).items() if name != missing})
    try:
        (entry,) = read_entries([line.encode()])
    except EntryError:
        return
    assert list(read_entries([entry_line(entry)])) == [entry]


@given(st.binary(max_size=60))
def test_whatever_bytes_a_line_has_it_is_an_entry_or_said_to_be_none(line):
    with pytest.raises(EntryError):
        list(read_entries([line]))


@pytest.mark.parametrize("key", ["modified_ns", "created_ns"])
@pytest.mark.parametrize("time", [10**40, -(10**40), 2**63])
def test_a_time_that_no_file_system_keeps_makes_no_entry(key: str, time: int) -> None:
    line = json.loads(entry_line(ENTRY)) | {key: time}
    with pytest.raises(ValueError, match="not the time of a file"):
        entry_from_line(json.dumps(line).encode())


def test_a_frame_is_in_use_unless_a_person_has_said_otherwise():
    unused = replace(ENTRY, in_use=False)
    assert "in_use" not in LINE
    assert entry_from_line(entry_line(unused)) == unused
    assert entry_from_line(json.dumps({**LINE, "in_use": "no"}).encode()).in_use


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (b'{"path": "data/a.fits"}', "it has no size_bytes"),
        (b"not json", "it is no JSON: Expecting value"),
        (b'"\xff"', "it is no JSON: 'utf-8' codec"),
        (b"[1]", "a value of another kind than it should be"),
        (b'{"path": "data/a.fits", "size_bytes": "many"}', "a value that it cannot have: "),
        (b"[" * 100_000, "it is nested too deeply"),
    ],
)
def test_what_is_wrong_with_a_line_is_said_in_words(line, told):
    with pytest.raises(ValueError, match="not an entry") as refused:
        entry_from_line(line)
    assert f"not an entry ({told}" in str(refused.value)
