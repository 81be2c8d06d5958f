"""Gzip taken apart as its bytes stream by, in pieces of bounded size whatever a bomb would make of them."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from contextlib import suppress

Block = bytes | bytearray | memoryview

GZIP_MAGIC = b"\x1f\x8b"

# Input in small slices: what zlib hands back unread is copied each time.
_SLICE = 1 << 16
_PIECE = 1 << 20
_GZIP_FORMAT = 16 + zlib.MAX_WBITS


class Gunzip:
    """Unpacks gzip bytes passed in order, members one after another, and passes on what is in them.

    `sink` takes each piece and says whether it wants more. `damage` says what is wrong with the
    compressed data, or is empty; only what the sink wanted has been looked at.
    """

    def __init__(self, sink: Callable[[bytes], bool]) -> None:
        self.damage = ""
        self._sink = sink
        self._member = zlib.decompressobj(_GZIP_FORMAT)
        self._between = b""
        self._done = False

    def feed(self, block: Block) -> None:
        """Unpack the next bytes."""
        view = memoryview(block)
        for start in range(0, len(view), _SLICE):
            if self._done:
                return
            self._take(bytes(view[start : start + _SLICE]))

    def finish(self) -> None:
        """Note that the compressed data end here."""
        if not self._done and not self._member.eof:
            self.damage = "the compressed data end too early"

    def _take(self, packed: bytes) -> None:
        while packed and not self._done:
            packed = self._next_member(packed) if self._member.eof else self._unpack(packed)

    def _next_member(self, packed: bytes) -> bytes:
        """Begin another member where one follows; anything else behind the last is filling."""
        self._between += packed
        if not GZIP_MAGIC.startswith(self._between[:2]):
            self._done = True
        elif len(self._between) >= 2:
            packed, self._between = self._between, b""
            self._member = zlib.decompressobj(_GZIP_FORMAT)
            return packed
        return b""

    def _unpack(self, packed: bytes) -> bytes:
        """Unpack all of a slice that belongs to this member; return the rest of it."""
        while not self._done:
            before = self._member.copy()
            try:
                piece = self._member.decompress(packed, _PIECE)
            except zlib.error as error:
                self._sink(_up_to_the_damage(before, packed))
                self.damage, self._done = f"the compressed data do not unpack ({error})", True
                break
            self._done = bool(piece) and not self._sink(piece)
            packed = self._member.unconsumed_tail
            if self._member.eof or (not packed and len(piece) < _PIECE):
                break
        return self._member.unused_data


def _up_to_the_damage(member: zlib._Decompress, packed: bytes) -> bytes:
    """Return what unpacks before the damage, wherever the slice was cut: zlib itself keeps it back."""
    unpacked = bytearray()
    with suppress(zlib.error):
        for at in range(len(packed)):
            unpacked += member.decompress(packed[at : at + 1], _PIECE)
    return bytes(unpacked)
