"""Computes SHA-256 and XXH3-128 of bytes in one pass."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

import xxhash

Block = bytes | bytearray | memoryview


@dataclass(frozen=True, slots=True)
class Digests:
    """Both digests of one file, lower-case hexadecimal.

    `sha256` is FIPS 180-4; `xxh128` is XXH3-128, seed 0, in canonical (big-endian) form.
    """

    sha256: str
    xxh128: str


class Digester:
    """Takes a file's bytes in order and can return its digests at any point.

    Both algorithms release the interpreter lock on large blocks, so a digester may work in a
    thread beside the reader and the writer.
    """

    def __init__(self) -> None:
        self._sha256 = hashlib.sha256()
        self._xxh128 = xxhash.xxh3_128()

    def update(self, block: Block) -> None:
        """Take the next bytes."""
        self._sha256.update(block)
        self._xxh128.update(block)

    def digests(self) -> Digests:
        """Return the digests of all bytes taken so far; more may follow."""
        return Digests(self._sha256.hexdigest(), self._xxh128.hexdigest())


def digest_blocks(blocks: Iterable[Block]) -> Digests:
    """Digest a whole file given as its blocks, in order."""
    digester = Digester()
    for block in blocks:
        digester.update(block)
    return digester.digests()
