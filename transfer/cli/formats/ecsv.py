"""Frames as ECSV, the CSV with units and types of the Astropy project (APE 6)."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, BinaryIO

from transfer.cli.formats.columns import COLUMNS, Kind, findings_told
from transfer.cli.formats.csv_list import spelt_out
from transfer.cli.formats.listing import Listing
from transfer.jobs.browsing.identity import identity_of

if TYPE_CHECKING:
    from astropy.table import MaskedColumn

_FILLED_WITH: dict[Kind, Any] = {Kind.TEXT: "", Kind.WHOLE: 0, Kind.REAL: 0.0, Kind.TRUTH: False}
_DTYPES = {Kind.TEXT: "str", Kind.WHOLE: "int64", Kind.REAL: "float64", Kind.TRUTH: "bool"}


def write_ecsv(listing: Listing, out: BinaryIO) -> None:
    """Write one table of all frames, in UTF-8; what is not known is masked."""
    from astropy.table import Table

    rows = list(listing)
    table = Table()
    table["path"] = _column(Kind.TEXT, [str(listing.path_of(row)) for row in rows])
    for column in COLUMNS:
        table[column.name] = _column(column.kind, [column.value(row) for row in rows])
        table[column.name].unit = column.unit or None
        table[column.name].description = column.meaning or None
    table["findings"] = _column(Kind.TEXT, [findings_told(row) for row in rows])
    table.meta["archive"] = spelt_out(identity_of(listing.root).name)
    text = io.StringIO()
    table.write(text, format="ascii.ecsv")
    out.write(text.getvalue().encode())


def _column(kind: Kind, values: Sequence[Any]) -> MaskedColumn:
    from astropy.table import MaskedColumn

    filled = [_FILLED_WITH[kind] if value is None else value for value in values]
    if kind is Kind.TEXT:
        filled = [spelt_out(str(value)) for value in filled]
    return MaskedColumn(filled, mask=[value is None for value in values], dtype=_DTYPES[kind])
