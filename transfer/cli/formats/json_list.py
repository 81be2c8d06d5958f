"""Frames as the one JSON document of a run, written one by one."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any, TextIO

from manifests.index.frame_query import FrameRow
from transfer.cli.formats.columns import COLUMNS
from transfer.cli.formats.listing import Listing
from transfer.errors import NightferryError


def write_json(
    listing: Listing, out: TextIO, ending: Callable[[NightferryError | None], Mapping[str, Any]]
) -> None:
    """Write the document: the frames, one a line, then what `ending` says once all have passed.

    An error on the way is given to `ending`, so that what was written stays one whole document. ASCII
    only, so that any terminal and any pipe can take it.
    """
    out.write('{\n  "command": "frames",\n  "frames": [')
    separator, ended_by = "\n    ", None
    try:
        for row in listing:
            out.write(f"{separator}{json.dumps(frame_as_json(listing, row))}")
            separator = ",\n    "
    except NightferryError as error:
        ended_by = error
    end = {"hours": listing.listed.hours} | dict(ending(ended_by))
    out.write("\n  ],\n" + ",\n".join(f"  {json.dumps(key)}: {json.dumps(end[key])}" for key in end))
    out.write("\n}\n")


def frame_as_json(listing: Listing, row: FrameRow) -> dict[str, Any]:
    """Return a frame: its path, every fact, null where it is not known, and its findings."""
    facts = {column.name: column.value(row) for column in COLUMNS}
    findings = [{"finding": each.kind.value, "detail": each.detail} for each in row.findings]
    return {"path": str(listing.path_of(row)), **facts, "findings": findings}
