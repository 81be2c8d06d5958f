"""Frames as ECSV, the CSV with units and types of the Astropy project (APE 6), written one by one."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import TYPE_CHECKING, BinaryIO

from manifests.index.frame_query import FrameRow
from transfer.archive.mark import identity_of
from transfer.cli.formats.columns import COLUMNS, Kind, findings_told
from transfer.cli.formats.csv_list import spelt_out
from transfer.cli.formats.listing import Listing

if TYPE_CHECKING:
    from astropy.table import Column

_DTYPES = {Kind.TEXT: "str", Kind.WHOLE: "int64", Kind.REAL: "float64", Kind.TRUTH: "bool"}


def write_ecsv(listing: Listing, out: BinaryIO) -> None:
    """Write one table of all frames, in UTF-8; what is not known is empty, which readers mask.

    The heading, with all that says what the columns are, is astropy's; the lines below are plain CSV.
    """
    text = io.TextIOWrapper(out, "utf-8", "backslashreplace", "\n")
    try:
        text.write(_heading(spelt_out(identity_of(listing.root).name)))
        lines = csv.writer(text, lineterminator="\n")
        for row in listing:
            lines.writerow(_cells(listing, row))
    finally:
        text.detach()


def _heading(archive: str) -> str:
    from astropy.table import Table

    table = Table(meta={"archive": archive})
    table["path"] = _column(Kind.TEXT)
    for column in COLUMNS:
        table[column.name] = _column(column.kind, column.unit, column.meaning)
    table["findings"] = _column(Kind.TEXT)
    heading = io.StringIO()
    table.write(heading, format="ascii.ecsv", delimiter=",")
    return "\n".join(heading.getvalue().splitlines()) + "\n"  # it ends lines as the system does


def _column(kind: Kind, unit: str = "", meaning: str = "") -> Column:
    from astropy.table import Column

    return Column([], dtype=_DTYPES[kind], unit=unit or None, description=meaning or None)


def _cells(listing: Listing, row: FrameRow) -> Iterator[object]:
    yield spelt_out(str(listing.path_of(row)))
    for column in COLUMNS:
        value = column.value(row)
        yield spelt_out(value) if isinstance(value, str) else value
    yield findings_told(row)
