"""Frames as a VOTable: the columns of ObsCore 1.1, then the archive's own."""

from __future__ import annotations

import io
import re
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, BinaryIO, NamedTuple
from xml.sax.saxutils import escape

from manifests.index.frame_query import FrameRow
from transfer.archive.mark import ArchiveIdentity, identity_of
from transfer.cli.formats.columns import COLUMNS, FrameColumn, Kind, findings_told
from transfer.cli.formats.csv_list import spelt_out
from transfer.cli.formats.listing import Listing
from transfer.cli.formats.obscore import OBSCORE, obscore_values

_VERSION = "1.4"  # the first with TIMESYS
_TEXT = "char"
_DATATYPES = {Kind.TEXT: _TEXT, Kind.WHOLE: "long", Kind.REAL: "double", Kind.TRUTH: "boolean"}
_ROWS = re.compile(rb"(?<=<TABLEDATA>).*(?=</TABLEDATA>)", re.DOTALL)

# The systems that values are in, by the columns that are in them.
_ICRS, _UTC = ("s_ra", "s_dec", "ra_deg", "dec_deg"), ("t_min", "t_max")
_SYSTEMS = dict.fromkeys(_ICRS, "icrs") | dict.fromkeys(_UTC, "utc")


class _Field(NamedTuple):
    """A column as VOTable describes it."""

    name: str
    datatype: str
    unit: str = ""
    ucd: str = ""
    utype: str = ""
    meaning: str = ""


def _own(column: FrameColumn) -> _Field:
    # VOUnits has no degree Celsius; what the number means is in the description.
    unit = "" if column.unit == "deg_C" else column.unit
    return _Field(column.name, _DATATYPES[column.kind], unit, column.ucd, "", column.meaning)


_FIELDS = (
    *(_Field(*column) for column in OBSCORE),
    _Field("path", _TEXT),
    *map(_own, COLUMNS),
    _Field("findings", _TEXT),
)


def write_votable(listing: Listing, out: BinaryIO) -> None:
    """Write one table of all frames (VOTable 1.4, TABLEDATA).

    What says what the table is, is astropy's; the rows are put into it as they come. They wait in a file of
    their own, for only they tell which columns need more than ASCII.
    """
    identity = identity_of(listing.root)
    with tempfile.TemporaryFile() as rows:
        wide = _write_rows(identity, listing, rows)
        document = _document(identity, wide)
        place = _ROWS.search(document)
        assert place is not None
        out.write(document[: place.start()] + b"\n")
        rows.seek(0)
        shutil.copyfileobj(rows, out)
        out.write(document[place.end() :])


def _write_rows(identity: ArchiveIdentity, listing: Listing, out: BinaryIO) -> set[str]:
    """Write the rows, and return the names of the columns that hold more than ASCII."""
    wide: set[str] = set()
    for row in listing:
        cells = [_cell(value) for value in _values(identity, listing, row)]
        line = "".join(cells)
        if not line.isascii():
            wide.update(field.name for field, cell in zip(_FIELDS, cells, strict=True) if not cell.isascii())
        out.write(f"<TR>{line}</TR>\n".encode())
    return wide


def _values(identity: ArchiveIdentity, listing: Listing, row: FrameRow) -> Iterator[Any]:
    known: Mapping[str, Any] = obscore_values(identity, listing, row)
    for column in OBSCORE:
        yield known.get(column.name)
    yield str(listing.path_of(row))
    for own in COLUMNS:
        yield own.value(row)
    yield findings_told(row)


def _cell(value: object) -> str:
    if value is None:
        return "<TD/>"
    if isinstance(value, bool):
        return "<TD>T</TD>" if value else "<TD>F</TD>"
    return f"<TD>{escape(spelt_out(value)) if isinstance(value, str) else value}</TD>"


def _document(identity: ArchiveIdentity, wide: set[str]) -> bytes:
    """Return the document around the rows, with one row in their place; `wide` columns are unicodeChar."""
    from astropy.io.votable.tree import CooSys, Resource, TableElement, TimeSys, VOTableFile

    document = VOTableFile(version=_VERSION)
    document.resources.append(resource := Resource(type="results"))
    resource.coordinate_systems.append(CooSys(ID="icrs", system="ICRS"))
    since = {"version": _VERSION, "version_1_4_or_later": True}
    resource.time_systems.append(
        TimeSys(ID="utc", timeorigin="2400000.5", timescale="UTC", refposition="TOPOCENTER", config=since)
    )
    resource.tables.append(table := TableElement(document, name="frames"))
    table.description = f"Frames of the archive {spelt_out(identity.name)}"
    table.fields.extend(_described(document, wide))
    table.create_arrays(1)
    table.array.mask[0] = (True,) * len(_FIELDS)
    document.to_xml(text := io.BytesIO())
    return text.getvalue()


def _described(document: object, wide: set[str]) -> Iterable[Any]:
    from astropy.io.votable.tree import Field

    for each in _FIELDS:
        is_text = each.datatype == _TEXT
        field = Field(
            document,
            ID=each.name,
            name=each.name,
            datatype="unicodeChar" if each.name in wide else each.datatype,
            arraysize="*" if is_text else None,
            unit=each.unit or None,
            ucd=each.ucd or None,
            utype=each.utype or None,
            ref=_SYSTEMS.get(each.name),
        )
        field.description = each.meaning or None
        yield field
