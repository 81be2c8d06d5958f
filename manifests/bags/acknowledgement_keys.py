"""The keys that acknowledgements are signed with: HMAC-SHA256 (RFC 2104, FIPS 198-1), fields only added.

An imaging computer makes a key and sends it with a night; the archive signs with every key that it was ever
sent. So a stranger's drive cannot say in an archive's name that a file may go.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Any

SIGNATURES = "keyed"
_SECRET_BYTES = 32
_SECRET = re.compile(f"[0-9a-f]{{{2 * _SECRET_BYTES}}}")


@dataclass(frozen=True, slots=True)
class Key:
    """A secret that an imaging computer shares with the archives it trusts, in hexadecimal."""

    secret: str

    def __post_init__(self) -> None:
        if _SECRET.fullmatch(self.secret) is None:
            raise ValueError("not a key")

    @property
    def id(self) -> str:
        """What the key is known by; the secret cannot be found from it."""
        return hashlib.sha256(b"nightferry key " + bytes.fromhex(self.secret)).hexdigest()[:16]


class Signed(Enum):
    """Whether an acknowledgement is signed with a key."""

    VALID = "signed"
    ABSENT = "not signed"
    WRONG = "the signature does not hold"


def new_key() -> Key:
    """Return a key that nobody else has."""
    return Key(os.urandom(_SECRET_BYTES).hex())


def with_signatures(document: Mapping[str, Any], keys: Iterable[Key]) -> dict[str, Any]:
    """Return an acknowledgement's document with a signature by each key; without a key, as it is."""
    signatures = {key.id: _signature(document, key) for key in keys}
    return {**document, SIGNATURES: signatures} if signatures else dict(document)


def signed(content: bytes, key: Key) -> Signed:
    """Return whether the content of an acknowledgement's file is signed with a key. Raises no error."""
    try:
        document = json.loads(content)
        signature = document[SIGNATURES][key.id]
    except (ValueError, TypeError, KeyError, RecursionError):
        return Signed.ABSENT
    if isinstance(signature, str) and signature.isascii():
        return Signed.VALID if hmac.compare_digest(signature, _signature(document, key)) else Signed.WRONG
    return Signed.WRONG


def _signature(document: Mapping[str, Any], key: Key) -> str:
    """Sign all of a document but its signatures: whatever fields it has, in one order and one spelling."""
    rest = {name: value for name, value in document.items() if name != SIGNATURES}
    spelled = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hmac.new(bytes.fromhex(key.secret), spelled.encode("ascii"), hashlib.sha256).hexdigest()
