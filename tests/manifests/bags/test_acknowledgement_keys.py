"""Signatures of acknowledgements: whatever is changed or added shows; fields that come later hold."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from manifests.bags.acknowledgement import (
    AcknowledgedFile,
    Acknowledgement,
    acknowledgement_content,
    read_acknowledgement,
)
from manifests.bags.acknowledgement_keys import Key, Signed, new_key, signed, with_signatures

KEY, OTHER = Key("0b" * 32), Key("ab" * 32)
SAID = Acknowledgement(
    "6f1d1a0e-2b4c-4d6e-8f10-1234567890ab",
    "attic",
    datetime(2026, 3, 16, tzinfo=UTC),
    "1" * 64,
    (AcknowledgedFile("data/frames/a.fits", "2" * 64, 5760, "frames", "a.fits", "M 51/data/a.fits"),),
)


def changed(content: bytes, **facts: object) -> bytes:
    return json.dumps(json.loads(content) | facts).encode()


def test_what_is_signed_holds_for_each_key_and_for_no_other():
    content = acknowledgement_content(SAID, [KEY, OTHER])
    assert signed(content, KEY) is signed(content, OTHER) is Signed.VALID
    assert signed(content, new_key()) is Signed.ABSENT
    assert read_acknowledgement(content) == SAID


def test_an_acknowledgement_from_before_there_were_keys_is_read_and_not_signed():
    content = acknowledgement_content(SAID)
    assert "keyed" not in json.loads(content)
    assert signed(content, KEY) is Signed.ABSENT
    assert read_acknowledgement(content) == SAID


@pytest.mark.parametrize(
    "facts",
    [
        {"files": []},
        {"acknowledged": "2027-03-16T00:00:00+00:00"},
        {"manifest_sha256": "3" * 64},
        {"archive": {"id": "6f1d1a0e-2b4c-4d6e-8f10-000000000000", "name": "attic"}},
        {"later": "field"},
    ],
)
def test_whatever_is_changed_afterwards_shows(facts):
    assert signed(changed(acknowledgement_content(SAID, [KEY]), **facts), KEY) is Signed.WRONG


def test_how_the_document_is_spelled_and_who_else_signed_makes_no_difference():
    content = acknowledgement_content(SAID, [KEY])
    document = json.loads(content)
    turned = json.dumps(dict(reversed(document.items())), indent=7).encode()
    assert signed(turned, KEY) is Signed.VALID
    assert signed(json.dumps(with_signatures(document, [KEY, OTHER])).encode(), KEY) is Signed.VALID


def test_a_field_that_a_later_version_adds_is_signed_with_the_rest():
    document = json.loads(acknowledgement_content(SAID)) | {"later": ["field"]}
    content = json.dumps(with_signatures(document, [KEY])).encode()
    assert signed(content, KEY) is Signed.VALID
    assert read_acknowledgement(content) == SAID


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", Signed.ABSENT),
        (b"[]", Signed.ABSENT),
        (b"[" * 100_000, Signed.ABSENT),
        (b'{"keyed": 7}', Signed.ABSENT),
        (json.dumps({"keyed": {KEY.id: 7}}).encode(), Signed.WRONG),
        (json.dumps({"keyed": {KEY.id: "\u00e9"}}).encode(), Signed.WRONG),
    ],
)
def test_what_lies_on_a_drive_may_be_anything(content, found):
    assert signed(content, KEY) is found


def test_a_signature_is_hmac_sha256_as_openssl_makes_it():
    """Made with OpenSSL 3.0: printf '{"files":[]}' | openssl dgst -sha256 -mac HMAC -macopt hexkey:0b0b…"""
    document = with_signatures({"files": []}, [KEY])
    assert document["keyed"][KEY.id] == "d25eee1a64c4e96490098765a2ce610c0166349f24d3f786b639d8575cb0ef44"


@pytest.mark.parametrize("secret", ["", "0b", "0B" * 32, "0b" * 33, "zz" * 32])
def test_anything_but_a_key_is_refused(secret):
    with pytest.raises(ValueError, match="not a key"):
        Key(secret)
