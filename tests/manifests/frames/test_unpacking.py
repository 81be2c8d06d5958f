from __future__ import annotations

import gzip
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.unpacking import Gunzip


def _unpack(packed: bytes, size: int = 1 << 20) -> tuple[bytes, str]:
    pieces: list[bytes] = []
    gunzip = Gunzip(lambda piece: pieces.append(piece) is None)
    for start in range(0, len(packed), size):
        gunzip.feed(packed[start : start + size])
    gunzip.finish()
    return b"".join(pieces), gunzip.damage


@given(st.binary(max_size=3000), st.integers(1, 300))
def test_bytes_cut_anywhere_unpack_to_what_was_packed(data, size):
    assert _unpack(gzip.compress(data), size) == (data, "")


@pytest.mark.parametrize("size", [1, 7, 1 << 20])
def test_members_one_after_another_are_one_stream(size):
    packed = gzip.compress(b"one ") + gzip.compress(b"") + gzip.compress(b"two")
    assert _unpack(packed, size) == (b"one two", "")


@pytest.mark.parametrize("tail", [b"\0" * 512, b"\x1f", b"\x1fx", b"anything else"])
def test_what_follows_the_last_member_is_no_damage(tail):
    assert _unpack(gzip.compress(b"data") + tail, 3) == (b"data", "")


def test_a_stream_cut_short_is_damaged():
    assert "end too early" in _unpack(gzip.compress(bytes(range(256)) * 40)[:-9])[1]


def test_a_flipped_byte_is_damage_by_the_checksum_of_gzip():
    packed = bytearray(gzip.compress(bytes(range(256)) * 40, compresslevel=0))
    packed[5000] ^= 1
    assert "do not unpack" in _unpack(bytes(packed))[1]


def test_nothing_but_the_first_bytes_of_a_header_is_damaged():
    assert "end too early" in _unpack(b"\x1f\x8b")[1]


def test_a_bomb_is_handed_on_in_pieces_of_bounded_size():
    bomb = zlib.compressobj(9, zlib.DEFLATED, 31)
    packed = b"".join(bomb.compress(bytes(1 << 20)) for _ in range(64)) + bomb.flush()
    assert len(packed) < 1 << 17
    sizes: list[int] = []
    gunzip = Gunzip(lambda piece: sizes.append(len(piece)) is None)
    gunzip.feed(packed)
    gunzip.finish()
    assert (sum(sizes), max(sizes), gunzip.damage) == (64 << 20, 1 << 20, "")


def test_a_sink_that_wants_no_more_is_given_no_more():
    seen: list[bytes] = []
    gunzip = Gunzip(lambda piece: bool(seen.append(piece)))
    packed = gzip.compress(bytes(10 << 20))
    gunzip.feed(packed[:5000])
    gunzip.feed(packed[5000:])
    gunzip.finish()
    assert (len(seen), gunzip.damage) == (1, "")
