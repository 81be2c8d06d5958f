"""An acknowledgement's file: what is written is read again, and nothing else is taken for one."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.bags.acknowledgement import (
    AcknowledgedFile,
    Acknowledgement,
    AcknowledgementError,
    acknowledgement_content,
    read_acknowledgement,
)

SHA256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
FILE = AcknowledgedFile("data/frames/a.fits", SHA256, 3, "frames", "a.fits", "M 51/data/2026-03-14/Ha/a.fits")
WHOLE = Acknowledgement("an id", "a name", datetime(2026, 3, 15, 12, tzinfo=UTC), SHA256, (FILE,))

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
digests = st.text("0123456789abcdef", min_size=64, max_size=64)
moments = st.integers(0, 7_258_118_400).map(lambda second: datetime.fromtimestamp(second, UTC))
files = st.builds(
    AcknowledgedFile, texts, digests, st.integers(0, 2**60), texts, texts, texts, st.none() | moments
)


@given(st.builds(Acknowledgement, texts, texts, moments, digests, st.lists(files, max_size=4).map(tuple)))
def test_what_is_written_is_read_again(acknowledgement: Acknowledgement):
    read = read_acknowledgement(acknowledgement_content(acknowledgement))
    assert set(read.files) == set(acknowledgement.files)
    assert (read.archive_id, read.archive_name) == (acknowledgement.archive_id, acknowledgement.archive_name)
    assert (read.acknowledged, read.manifest_sha256) == (
        acknowledgement.acknowledged,
        acknowledgement.manifest_sha256,
    )


@given(st.binary(max_size=200))
def test_anything_else_is_no_acknowledgement(content: bytes):
    with pytest.raises(AcknowledgementError):
        read_acknowledgement(content)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("format", 2),
        ("archive", "an id"),
        ("archive", {"id": 1, "name": "a name"}),
        ("acknowledged", 5),
        ("acknowledged", "yesterday"),
        ("manifest_sha256", "abc"),
        ("files", 7),
        ("files", ["a.fits"]),
        ("files", [FILE.as_json() | {"size_bytes": -1}]),
        ("files", [FILE.as_json() | {"size_bytes": True}]),
        ("files", [FILE.as_json() | {"sha256": SHA256.upper()}]),
        ("files", [FILE.as_json() | {"to": None}]),
        ("files", [FILE.as_json() | {"read_back_utc": 5}]),
    ],
)
def test_a_wrong_value_makes_it_no_acknowledgement(key: str, value: object):
    document = json.loads(acknowledgement_content(WHOLE))
    with pytest.raises(AcknowledgementError):
        read_acknowledgement(json.dumps(document | {key: value}).encode())
    del document[key]
    with pytest.raises(AcknowledgementError):
        read_acknowledgement(json.dumps(document).encode())


def test_a_deeply_nested_content_is_no_acknowledgement():
    with pytest.raises(AcknowledgementError):
        read_acknowledgement(b"[" * 200_000)


def test_lines_of_a_manifest_that_it_does_not_cover_are_counted():
    covered = f"{SHA256}  data/frames/a.fits\n".encode()
    other_content = f"{'0' * 64}  data/frames/a.fits\n".encode()
    other_path = f"{SHA256}  data/frames/b.fits\n".encode()
    assert WHOLE.leaves_out([covered]) == 0
    assert WHOLE.leaves_out([covered, other_content, other_path]) == 2


def test_when_a_file_was_read_back_does_not_make_it_another_file():
    later = FILE._replace(read_back_utc=datetime(2026, 4, 1, tzinfo=UTC))
    assert WHOLE.says_the_same_as(replace(WHOLE, files=(later,)))
    assert not WHOLE.says_the_same_as(replace(WHOLE, files=(FILE._replace(to="M 51/data/b.fits"),)))
    assert not WHOLE.says_the_same_as(replace(WHOLE, files=()))
    assert not WHOLE.says_the_same_as(replace(WHOLE, manifest_sha256="0" * 64))


def test_the_content_is_what_readers_of_other_programs_rely_on():
    file = FILE._replace(read_back_utc=datetime(2026, 3, 15, 11, tzinfo=UTC))
    assert (
        acknowledgement_content(replace(WHOLE, files=(file,))).decode()
        == f"""{{
 "format": 1,
 "archive": {{
  "id": "an id",
  "name": "a name"
 }},
 "acknowledged": "2026-03-15T12:00:00+00:00",
 "manifest_sha256": "{SHA256}",
 "files": [
  {{
   "path": "data/frames/a.fits",
   "sha256": "{SHA256}",
   "size_bytes": 3,
   "source": "frames",
   "original": "a.fits",
   "to": "M 51/data/2026-03-14/Ha/a.fits",
   "read_back_utc": "2026-03-15T11:00:00+00:00"
  }}
 ]
}}
"""
    )


def test_an_empty_file_is_a_file_and_a_time_without_a_zone_is_utc():
    document = json.loads(acknowledgement_content(replace(WHOLE, files=(FILE._replace(size_bytes=0),))))
    document["acknowledged"] = "2026-03-15T12:00:00"
    read = read_acknowledgement(json.dumps(document).encode())
    assert read.files[0].size_bytes == 0
    assert read.acknowledged == WHOLE.acknowledged


def test_a_time_in_another_zone_is_the_same_moment():
    document = json.loads(acknowledgement_content(WHOLE)) | {"acknowledged": "2026-03-15T14:00:00+02:00"}
    assert read_acknowledgement(json.dumps(document).encode()).acknowledged == WHOLE.acknowledged


@pytest.mark.parametrize(
    ("key", "value", "why"),
    [("format", 2, "^its format is 2, and 1 is known"), ("manifest_sha256", "abc", "^not a SHA-256: 'abc'")],
)
def test_why_it_is_no_acknowledgement_is_said(key: str, value: object, why: str):
    document = json.loads(acknowledgement_content(WHOLE)) | {key: value}
    with pytest.raises(AcknowledgementError, match=why):
        read_acknowledgement(json.dumps(document).encode())
