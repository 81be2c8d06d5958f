"""Frames as a table for people."""

from __future__ import annotations

from collections.abc import Iterator

from manifests.index.frame_query import FrameRow
from transfer.cli.formats.listing import Listing
from transfer.cli.screen import Screen
from transfer.cli.tables import Cell, Column, Narrow, table
from transfer.words import counted

_COLUMNS = (
    Column("night"),
    Column("UTC", expendable=3),
    Column("target", narrow=Narrow.LOSES_ITS_END, least=10),
    Column("filter", narrow=Narrow.LOSES_ITS_END, least=4),
    Column("type", expendable=1),
    Column("exposure", right=True),
    Column("alt", right=True, expendable=2),
    Column("camera", narrow=Narrow.LOSES_ITS_END, least=10, expendable=4),
    Column("notes", narrow=Narrow.LOSES_ITS_END, least=14, rare=True),
    Column("file", narrow=Narrow.LOSES_ITS_START, least=17),
)


def frame_lines(listing: Listing, screen: Screen) -> Iterator[str]:
    """Return the lines of the table: a frame each, its file by its path below the archive."""
    return table(_COLUMNS, map(_cells, listing), screen)


def _cells(row: FrameRow) -> tuple[Cell, ...]:
    frame = row.frame
    return (
        row.night.isoformat(),
        None if frame.begun_utc is None else f"{frame.begun_utc:%H:%M}",
        row.target,
        row.filter,
        frame.frame_type,
        None if frame.exposure_s is None else f"{frame.exposure_s:.6g} s",
        None if row.sky.altitude_deg is None else f"{row.sky.altitude_deg:.0f}°",
        frame.camera,
        _notes(row),
        f"{row.bag}/{row.path}",
    )


def _notes(row: FrameRow) -> str | None:
    parts = ["absent"] if row.absent else []
    parts += [] if row.in_use else ["not in use"]
    if len(row.findings) == 1:
        parts.append(row.findings[0].kind.value)
    elif row.findings:
        parts.append(counted(len(row.findings), "finding"))
    return ", ".join(parts) or None
