"""The key on its way from the imaging computer to the archive: a small file at the drive's root."""

from __future__ import annotations

import os
import stat
import tomllib

from manifests.bags.acknowledgement_keys import Key
from transfer.engine.bag.durable import write_durably
from transfer.engine.medium import PinnedFolder

KEY_NAME = "nightferry-key.toml"
_AT_MOST_BYTES = 4 << 10


def put_key(drive: PinnedFolder, key: Key) -> None:
    """Put a key onto a drive, unless it is there, or a folder or a pipe has its name.

    A night is carried without a key as well. Raises OSError and DriveFailed.
    """
    if key_on(drive) == key or _is_no_file(drive):
        return
    text = (
        "# The imaging computer's key, for the archive: nightferry file keeps it there and removes it here.\n"
        f'key = "{key.secret}"\n'
    )
    write_durably(drive, KEY_NAME, text.encode("ascii"))


def key_on(drive: PinnedFolder) -> Key | None:
    """Return the key that a drive carries; None where there is none, or what is there is no key.

    Raises OSError.
    """
    if _is_no_file(drive):
        return None
    try:
        descriptor = drive.open_file(KEY_NAME)
    except FileNotFoundError:
        return None
    with os.fdopen(descriptor, "rb") as file:
        content = file.read(_AT_MOST_BYTES)
    try:
        return Key(str(tomllib.loads(content.decode("ascii"))["key"]))
    except (ValueError, KeyError, RecursionError):
        return None


def remove_key(drive: PinnedFolder) -> None:
    """Remove the key from a drive that has one. Raises OSError."""
    if drive.stat(KEY_NAME) is not None and not _is_no_file(drive):
        drive.remove(KEY_NAME)
        drive.flush_folders([""])


def _is_no_file(drive: PinnedFolder) -> bool:
    facts = drive.stat(KEY_NAME)
    return facts is not None and not stat.S_ISREG(facts.st_mode)
