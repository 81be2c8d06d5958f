"""Frames as paths alone, for other programs."""

from __future__ import annotations

import os
import unicodedata
from typing import BinaryIO

from transfer.cli.formats.listing import Listing, is_damaged

# Controls, signs of direction and such, ends of lines and of paragraphs (The Unicode Standard, 4.5).
_ACTING = frozenset(("Cc", "Cf", "Zl", "Zp"))


def write_paths(listing: Listing, out: BinaryIO, end: bytes) -> list[str]:
    """Write the path of each frame that is there and whole, each followed by `end` (a line's end, or NUL).

    Where lines are for people as well, a name may hold nothing that ends a line, acts on a terminal, or turns
    the direction of reading, so that one name looks like another. Return the paths left out because of it.
    """
    left_out: list[str] = []
    for row in listing:
        if row.absent or is_damaged(row):
            continue
        if end != b"\0" and _misleads(f"{row.bag}/{row.path}"):
            left_out.append(str(listing.path_of(row)))
        else:
            out.write(os.fsencode(listing.path_of(row)) + end)
    return left_out


def _misleads(path: str) -> bool:
    if path.isprintable():
        return False
    return any(unicodedata.category(character) in _ACTING for character in path)
