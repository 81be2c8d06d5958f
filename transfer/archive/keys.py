"""The archive's keys: one of each imaging computer that has sent to it, to sign acknowledgements with."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable

from manifests.bags.acknowledgement_keys import Key
from transfer.engine.bag.durable import write_durably
from transfer.engine.medium import PinnedFolder

KEYS_NAME = "nightferry-keys.json"
_AT_MOST_BYTES = 1 << 20
_KEYS_AT_MOST = 1000  # each signs every acknowledgement; no observatory has so many computers


def keys_of(archive: PinnedFolder) -> tuple[Key, ...]:
    """Return the archive's keys, the oldest first; what is no key is left out. Raises OSError."""
    try:
        descriptor = archive.open_file(KEYS_NAME)
    except FileNotFoundError:
        return ()
    with os.fdopen(descriptor, "rb") as file:
        content = file.read(_AT_MOST_BYTES)
    try:
        written = json.loads(content)["keys"]
        return tuple(Key(each) for each in written)
    except (ValueError, KeyError, TypeError, RecursionError):
        return ()


def keep_key(archive: PinnedFolder, key: Key) -> None:
    """Keep a key in the archive, durably. Raises OSError and DriveFailed."""
    known = keys_of(archive)
    if key in known:
        return
    secrets = [each.secret for each in (*known, key)[-_KEYS_AT_MOST:]]
    write_durably(archive, KEYS_NAME, json.dumps({"keys": secrets}, indent=1).encode("ascii") + b"\n")


def share_keys(archives: Iterable[PinnedFolder], brought: Iterable[Key] = ()) -> None:
    """Keep in each archive what any of them has, and what was `brought`. Raises OSError and DriveFailed."""
    folders = list(archives)
    keys = dict.fromkeys((*brought, *(key for folder in folders for key in keys_of(folder))))
    for folder in folders:
        for key in keys:
            keep_key(folder, key)
