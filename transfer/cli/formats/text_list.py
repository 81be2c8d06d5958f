"""Frames as a table for people."""

from __future__ import annotations

from collections.abc import Iterator

from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.index.frame_query import FrameRow
from transfer.cli.formats.listing import Listing
from transfer.cli.screen import Screen
from transfer.cli.tables import Cell, Column, Narrow, table
from transfer.words import counted

_COLUMNS = (
    Column("night"),
    Column("UTC", expendable=5),
    Column("target", narrow=Narrow.LOSES_ITS_END, least=10),
    Column("filter", narrow=Narrow.LOSES_ITS_END, least=4),
    Column("type", expendable=3),
    Column("exposure", right=True),
    Column("alt", right=True, expendable=4),
    Column("stars", right=True, rare=True, expendable=2),
    Column("FWHM", right=True, rare=True, expendable=1),
    Column("elong.", right=True, rare=True, expendable=6),
    Column("sky", right=True, rare=True, expendable=6),
    Column("camera", narrow=Narrow.LOSES_ITS_END, least=10, expendable=7),
    Column("notes", narrow=Narrow.LOSES_ITS_END, least=14, rare=True),
    Column("file", narrow=Narrow.LOSES_ITS_START, least=17),
)

_WHOLE_ADU = 100.0  # from here on parts of an ADU say nothing


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
        *_measures(row.measures or FrameMeasures()),
        frame.camera,
        _notes(row),
        f"{row.bag}/{row.path}",
    )


def _measures(measures: FrameMeasures) -> tuple[Cell, ...]:
    sky_adu = measures.background_adu
    return (
        None if measures.stars is None else f"{measures.stars:,}",
        None if measures.size_px is None else f"{measures.size_px:.2f}",
        None if measures.elongation is None else f"{measures.elongation:.2f}",
        None if sky_adu is None else f"{sky_adu:,.0f}" if abs(sky_adu) >= _WHOLE_ADU else f"{sky_adu:.3g}",
    )


def _notes(row: FrameRow) -> str | None:
    parts = ["absent"] if row.absent else []
    parts += [] if row.in_use else ["not in use"]
    if len(row.findings) == 1:
        parts.append(row.findings[0].kind.value)
    elif row.findings:
        parts.append(counted(len(row.findings), "finding"))
    return ", ".join(parts) or None
