"""Frames as a VOTable: the columns of ObsCore 1.1, then the archive's own."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any, BinaryIO, NamedTuple

from manifests.index.frame_query import FrameRow
from transfer.cli.formats.columns import COLUMNS, FrameColumn, Kind, findings_told
from transfer.cli.formats.csv_list import spelt_out
from transfer.cli.formats.listing import Listing
from transfer.cli.formats.obscore import OBSCORE, obscore_values
from transfer.jobs.browsing.identity import Identity, identity_of

if TYPE_CHECKING:
    from astropy.io.votable.tree import TableElement, VOTableFile

_VERSION = "1.4"  # the first with TIMESYS
_DATATYPES = {Kind.TEXT: "char", Kind.WHOLE: "long", Kind.REAL: "double", Kind.TRUTH: "boolean"}
_FILLED_WITH = {"char": "", "unicodeChar": "", "int": 0, "long": 0, "double": float("nan"), "boolean": False}

# The systems that values are in, by the columns that are in them.
_SYSTEMS = {
    "s_ra": "icrs",
    "s_dec": "icrs",
    "ra_deg": "icrs",
    "dec_deg": "icrs",
    "t_min": "utc",
    "t_max": "utc",
}


class _Field(NamedTuple):
    """A column as VOTable describes it, and its values: None is null."""

    name: str
    datatype: str
    values: Sequence[Any]
    unit: str = ""
    ucd: str = ""
    utype: str = ""
    meaning: str = ""


def write_votable(listing: Listing, out: BinaryIO) -> None:
    """Write one table of all frames (VOTable 1.4, TABLEDATA)."""
    from astropy.io.votable.tree import CooSys, Resource, TableElement, TimeSys, VOTableFile

    rows, identity = list(listing), identity_of(listing.root)
    document = VOTableFile(version=_VERSION)
    document.resources.append(resource := Resource(type="results"))
    resource.coordinate_systems.append(CooSys(ID="icrs", system="ICRS"))
    since = {"version": _VERSION, "version_1_4_or_later": True}
    resource.time_systems.append(
        TimeSys(ID="utc", timeorigin="2400000.5", timescale="UTC", refposition="TOPOCENTER", config=since)
    )
    resource.tables.append(table := TableElement(document, name="frames"))
    table.description = f"Frames of the archive {spelt_out(identity.name)}"
    _fill(
        document, table, [*_obscore_fields(identity, listing, rows), *_own_fields(listing, rows)], len(rows)
    )
    document.to_xml(out)


def _obscore_fields(identity: Identity, listing: Listing, rows: Iterable[FrameRow]) -> Iterable[_Field]:
    known = [obscore_values(identity, listing, row) for row in rows]
    for column in OBSCORE:
        values = [of_row.get(column.name) for of_row in known]
        yield _Field(column.name, column.datatype, values, column.unit, column.ucd, column.utype)


def _own_fields(listing: Listing, rows: Sequence[FrameRow]) -> Iterable[_Field]:
    yield _text("path", rows, lambda row: str(listing.path_of(row)))
    for column in COLUMNS:
        yield _own_field(column, [column.value(row) for row in rows])
    yield _text("findings", rows, findings_told)


def _text(name: str, rows: Iterable[FrameRow], value: Callable[[FrameRow], str | None]) -> _Field:
    return _Field(name, "char", [value(row) for row in rows])


def _own_field(column: FrameColumn, values: Sequence[Any]) -> _Field:
    # VOUnits has no degree Celsius; what the number means is in the description.
    unit = "" if column.unit == "deg_C" else column.unit
    return _Field(column.name, _DATATYPES[column.kind], values, unit, column.ucd, "", column.meaning)


def _fill(document: VOTableFile, table: TableElement, fields: Sequence[_Field], count: int) -> None:
    from astropy.io.votable.tree import Field

    spelt = [_spelt(field) for field in fields]
    for each in spelt:
        field = Field(
            document,
            ID=each.name,
            name=each.name,
            datatype=each.datatype,
            arraysize="*" if each.datatype in ("char", "unicodeChar") else None,
            unit=each.unit or None,
            ucd=each.ucd or None,
            utype=each.utype or None,
            ref=_SYSTEMS.get(each.name),
        )
        field.description = each.meaning or None
        table.fields.append(field)
    table.create_arrays(count)
    for each in spelt:
        filled = _FILLED_WITH[each.datatype]
        table.array[each.name] = [filled if value is None else value for value in each.values]
        table.array.mask[each.name] = [value is None for value in each.values]


def _spelt(field: _Field) -> _Field:
    """Give a text column as XML can hold it; `char` is for ASCII alone."""
    if field.datatype != "char":
        return field
    values = [None if value is None else spelt_out(str(value)) for value in field.values]
    is_ascii = all(value is None or value.isascii() for value in values)
    return field._replace(datatype="char" if is_ascii else "unicodeChar", values=values)
