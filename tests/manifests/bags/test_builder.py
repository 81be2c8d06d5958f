"""A file's bytes are digested whatever looking at them does."""

import hashlib

import pytest

from manifests.bags import builder as room
from manifests.bags.builder import ContentBuilder, content_of
from manifests.findings import FindingKind


@pytest.mark.parametrize("call", ["feed", "finish"])
def test_a_fault_in_looking_at_a_frame_is_a_finding_and_stops_nothing(monkeypatch, call):
    class Faulty(room.Inspector):
        pass

    def fault(*_args):
        raise ZeroDivisionError("something nobody thought of")

    setattr(Faulty, call, fault)
    monkeypatch.setattr(room, "Inspector", Faulty)
    content = content_of("light.fits", [b"SIMPLE  =", b"a frame"])
    assert content.digests.sha256 == hashlib.sha256(b"SIMPLE  =a frame").hexdigest()
    (finding,) = content.inspection.findings
    assert finding.kind is FindingKind.HEADER_UNREADABLE
    assert "something nobody thought of" in finding.detail
    assert content.inspection.frame is None


def test_the_digest_of_each_beginning_that_was_asked_for_is_given():
    builder = ContentBuilder("mount.log", [0, 3, 8, 99])
    for block in (b"abcd", b"efgh"):
        builder.feed(block)
    expected = {size: hashlib.sha256(b"abcdefgh"[:size]).hexdigest() for size in (0, 3, 8)}
    assert builder.finish().prefixes == expected
