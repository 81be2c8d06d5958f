"""Frames as paths alone, for other programs."""

from __future__ import annotations

import os
from typing import BinaryIO

from transfer.cli.formats.listing import Listing


def write_paths(listing: Listing, out: BinaryIO, end: bytes) -> list[str]:
    """Write the path of each frame that is there, each followed by `end` (a line's end, or NUL).

    Gives the paths that were left out, for `end` is in them.
    """
    left_out: list[str] = []
    for row in listing:
        path = os.fsencode(listing.path_of(row))
        if row.absent:
            continue
        if end in path:
            left_out.append(str(listing.path_of(row)))
        else:
            out.write(path + end)
    return left_out
