"""Digest algorithms by the names that manifests use."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import Any

# SHAKE digests have any length. Shorter than 128 bits proves too little to be taken for a proof.
_SHORTEST_OF_ANY_LENGTH = 16


@dataclass(frozen=True, slots=True)
class Algorithm:
    """One algorithm of hashlib; `size_bytes` is its digest's length, 0 where the length is open."""

    name: str
    size_bytes: int

    def new(self) -> Any:
        """Return a fresh hash object."""
        return hashlib.new(self.name, usedforsecurity=False)

    def takes(self, digest: bytes) -> bool:
        """Return whether a digest has a length that this algorithm produces."""
        if self.size_bytes:
            return len(digest) == self.size_bytes
        return len(digest) >= _SHORTEST_OF_ANY_LENGTH

    def finish(self, state: Any, wanted: bytes) -> bytes:
        """Return the digest of what was fed to `state`, as long as the wanted one."""
        digest = state.digest() if self.size_bytes else state.digest(len(wanted))
        return bytes(digest)


def algorithm_named(name: str) -> Algorithm | None:
    """Return the algorithm that a manifest's file name says, or None where hashlib has none.

    RFC 8493, section 2.4: the common name in lower case without punctuation, so `sha3256` is
    SHA3-256; hashlib's own spellings (`sha3_256`) are in use, too.
    """
    known = {_plain(one): one for one in (*hashlib.algorithms_available, *hashlib.algorithms_guaranteed)}
    spelled = known.get(_plain(name))
    if spelled is None:
        return None
    try:
        return Algorithm(spelled, hashlib.new(spelled, usedforsecurity=False).digest_size)
    except ValueError:  # listed, but switched off in this computer's library
        return None


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


SHA256 = Algorithm("sha256", 32)
