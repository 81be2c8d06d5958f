"""The optional open catalogue (OpenNGC, from the package pyongc): which designations are one object.

It is read from the package's own file, without a network. Without the package there is no catalogue.
"""

from __future__ import annotations

import re
import sqlite3
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from functools import cache, cached_property
from importlib.util import find_spec
from math import degrees
from pathlib import Path
from typing import NamedTuple

from manifests.frames.names.angles import separation_deg
from manifests.frames.names.designations import Designation, read_designation
from manifests.frames.names.spelling import common_key

# How OpenNGC writes the designations that its table of identifiers has.
_IDENTIFIERS = {
    "NGC": "NGC{:0>4}", "IC": "IC{:0>4}", "C": "C{:0>3}", "B": "B{:0>3}", "LBN": "LBN{:0>3}",
    "HCG": "HCG{:0>3}", "Mel": "MEL{:0>3}", "Cr": "CL{:0>3}", "Harvard": "H{:0>2}", "UGC": "UGC{:0>5}",
    "UGCA": "UGCA{:0>3}", "MWSC": "MWSC{:0>4}", "PGC": "PGC{:0>6}", "ESO": "ESO{}", "MCG": "MCG{}",
}  # fmt: skip
# These stand only in the list of an object's other identifiers.
_ONLY_LISTED = ("SH 2-", "PK ", "PN G", "Mel ", "Cl ")
_NUMBERS_LISTED = re.compile(r"\b(LBN|PGC|LEDA)\s?([0-9]+)\b")

# An object is named by its number in the first of these catalogues that has it. One that has only numbers of
# the surveys is named by its common name where it has one.
_WELL_KNOWN = ("M", "NGC", "IC", "Sh2", "C", "B", "Mel", "Cr", "HCG", "Harvard", "LBN")
_SURVEYS = ("UGC", "UGCA", "MWSC", "ESO", "PGC", "MCG", "PK", "PN G")

# Where an object has two numbers, the one that the Caldwell list and common use prefer to OpenNGC's; from
# memory.
_COMMON_USE = {
    "NGC 2239": "NGC 2244",
    "NGC 3189": "NGC 3190",
    "NGC 1269": "NGC 1291",
    "NGC 1909": "IC 2118",
    "NGC 6882": "NGC 6885",
}


# OpenNGC's own slips, and names that it gives to one object of several. Sources, from memory: Moore's
# Caldwell list (1995) has NGC 2237 as number 49; Cocoon Galaxy, with its companion NGC 4485, and Flame Nebula
# as Burnham's Celestial Handbook and the observing guides have them, the Flame being beside the Horsehead's
# IC 434; the Veil is the whole of the remnant, its western part alone is NGC 6960. Names that handbooks give
# to several objects (Lobster, Butterfly, Spindle, Bear Claw, Little Gem) are in `handbook`.
_CORRECTED: Mapping[str, Mapping[str, str]] = {
    "NGC2237": {"identifiers": "C 049,LBN 948", "common_names": "Rosette Nebula,Rosette A"},
    "NGC2238": {"identifiers": "", "common_names": ""},
    "NGC4490": {"common_names": "Cocoon Galaxy"},
    "NGC4990": {"common_names": ""},
    "NGC2024": {"common_names": "Flame Nebula"},
    "IC0434": {"common_names": "Orion B"},
    "NGC6960": {"common_names": "Filamentary Nebula,Western Veil"},
    "NGC6618": {"common_names": "Checkmark Nebula,Swan Nebula,Omega Nebula"},
    "NGC6302": {"common_names": "Bug Nebula"},
    "NGC3115": {"common_names": ""},
}
_MOVED = {"C049": "NGC2237", "LBN948": "NGC2237"}


class CatalogueUnreadable(Exception):
    """The catalogue's file (`path`) cannot be read or has another form (`reason`)."""

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(f"{path}: the catalogue cannot be read ({reason})")
        self.path = path
        self.reason = reason


@dataclass(frozen=True, slots=True)
class CatalogueObject:
    """One object: its one name, its designations in their one style, its position (ICRS degrees)."""

    name: str
    designations: tuple[str, ...]
    common_names: tuple[str, ...]
    ra_deg: float | None
    dec_deg: float | None
    size_arcmin: float | None


@dataclass(frozen=True, slots=True)
class Neighbour:
    """An object near a position."""

    object: CatalogueObject
    separation_deg: float


class _Row(NamedTuple):
    """A row of OpenNGC's table of objects, in the order in which `_OBJECTS` asks for it."""

    name: str
    kind: str
    ra_rad: float | None
    dec_rad: float | None
    size_arcmin: float | None
    messier: str
    ngc: str
    ic: str
    identifiers: str
    common_names: str


_OBJECTS = "SELECT name, type, ra, dec, majax, messier, ngc, ic, identifiers, commonnames FROM objects"
_OTHER_NAMES = "SELECT identifier, name FROM objIdentifiers"


class Catalogue:
    """Finds objects by designation, by common name and by position."""

    def __init__(self, rows: Iterable[_Row], identifiers: Mapping[str, str]) -> None:
        self._rows = {row.name: row for row in rows}
        self._identifiers = identifiers
        self._messier = {row.messier: row for row in self._rows.values() if row.messier and row.kind != "Dup"}

    def identify(self, designation: Designation) -> CatalogueObject | None:
        """Return the object of this designation, or None where the catalogue has none.

        M 102 has none: whether it is M 101 seen twice or NGC 5866 is disputed.
        """
        row = self._row(designation)
        return None if row is None else _object(row)

    def named(self, common_name: str) -> tuple[CatalogueObject, ...]:
        """Return the objects that go by a common name (case, spaces and punctuation aside).

        Of several, only the one with a Messier number where just one has it.
        """
        rows = self._by_common_name.get(common_key(common_name), ())
        of_messier = [row for row in rows if row.messier]
        return tuple(_object(row) for row in (of_messier if len(of_messier) == 1 else rows))

    def near(self, ra_deg: float, dec_deg: float, radius_deg: float) -> tuple[Neighbour, ...]:
        """Return the objects within `radius_deg` of a position (ICRS degrees), the nearest first."""
        declinations, placed = self._by_declination
        first = bisect_left(declinations, dec_deg - radius_deg)
        last = bisect_right(declinations, dec_deg + radius_deg)
        apart = [(separation_deg(ra_deg, dec_deg, ra, dec), row) for dec, ra, row in placed[first:last]]
        within = sorted((found for found in apart if found[0] <= radius_deg), key=lambda found: found[0])
        return tuple(Neighbour(_object(row), separation) for separation, row in within)

    def _row(self, designation: Designation) -> _Row | None:
        number = f"{designation.number}{designation.letter}"
        if designation.catalogue == "M":
            return self._messier.get(f"{number:0>3}")
        name = self._only_listed.get(str(designation))
        if name is None and (form := _IDENTIFIERS.get(designation.catalogue)):
            padded = _padded(form, designation)
            name = _MOVED.get(padded) or self._identifiers.get(padded)
        name = name or self._by_number.get(str(designation))
        row = self._rows.get(name) if name else None
        return self._main(row) if row else None

    def _main(self, row: _Row) -> _Row | None:
        """Return the row that a row marked as a duplicate stands for."""
        if row.kind != "Dup":
            return row
        main = f"NGC{row.ngc}" if row.ngc else f"IC{row.ic}"
        return self._rows.get(main)

    @cached_property
    def _only_listed(self) -> dict[str, str]:
        named: dict[str, str] = {}
        for row in self._rows.values():
            if any(mark in row.identifiers for mark in _ONLY_LISTED):
                named |= {str(other): row.name for other in _others(row)}
        return named

    @cached_property
    def _by_number(self) -> dict[str, str]:
        """The rows by numbers that the table of identifiers lacks: Lynds's from 1000, PGC's longer ones."""
        named: dict[str, str] = {}
        for row in self._rows.values():
            for catalogue, number in _NUMBERS_LISTED.findall(row.identifiers):
                named.setdefault(f"{'LBN' if catalogue == 'LBN' else 'PGC'} {int(number)}", row.name)
        return named

    @cached_property
    def _by_common_name(self) -> dict[str, tuple[_Row, ...]]:
        named: dict[str, tuple[_Row, ...]] = {}
        for row in self._rows.values():
            for key in {common_key(name) for name in row.common_names.split(",")} - {""}:
                named[key] = (*named.get(key, ()), row)
        return named

    @cached_property
    def _by_declination(self) -> tuple[list[float], list[tuple[float, float, _Row]]]:
        placed = [
            (degrees(row.dec_rad), degrees(row.ra_rad), row)
            for row in self._rows.values()
            if row.dec_rad is not None and row.ra_rad is not None and row.kind not in ("Dup", "NonEx")
        ]
        placed.sort(key=lambda place: place[0])
        return [dec for dec, _, _ in placed], placed


@cache
def load_catalogue() -> Catalogue | None:
    """Load the catalogue, once a process; None where the package pyongc is not installed.

    Raises CatalogueUnreadable where its file is damaged or of another form.
    """
    # Found and not imported: to say its own version, the package loads what reads e-mail.
    package = find_spec("pyongc")
    if package is None or not package.submodule_search_locations:
        return None
    return read_catalogue(Path(package.submodule_search_locations[0], "ongc.db"))


def read_catalogue(path: Path) -> Catalogue:
    """Read OpenNGC's SQLite file. Raises CatalogueUnreadable."""
    try:
        with closing(
            sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
        ) as database:
            rows = [_corrected(_Row._make(row)) for row in database.execute(_OBJECTS)]
            return Catalogue(rows, dict(database.execute(_OTHER_NAMES)))
    except sqlite3.Error as error:
        raise CatalogueUnreadable(path, str(error)) from error


def _corrected(row: _Row) -> _Row:
    correction = _CORRECTED.get(row.name)
    if correction is None:
        return row
    return row._replace(
        identifiers=correction.get("identifiers", row.identifiers),
        common_names=correction.get("common_names", row.common_names),
    )


def _padded(form: str, designation: Designation) -> str:
    # OpenNGC pads the number; a component's letter follows it.
    return form.format(designation.number) + designation.letter.upper()


def _object(row: _Row) -> CatalogueObject:
    designations = tuple(dict.fromkeys(str(found) for found in _designations(row)))
    commons = tuple(_capitalised(name.strip()) for name in row.common_names.split(",") if name.strip())
    return CatalogueObject(
        name=_best_name(row, commons),
        designations=designations,
        common_names=commons,
        ra_deg=None if row.ra_rad is None else degrees(row.ra_rad),
        dec_deg=None if row.dec_rad is None else degrees(row.dec_rad),
        size_arcmin=row.size_arcmin,
    )


def _best_name(row: _Row, commons: tuple[str, ...]) -> str:
    of_catalogue = {found.catalogue: str(found) for found in reversed(_designations(row))}
    for catalogue in _WELL_KNOWN:
        if catalogue in of_catalogue:
            return _COMMON_USE.get(of_catalogue[catalogue], of_catalogue[catalogue])
    if commons:
        return commons[0]
    return next((of_catalogue[survey] for survey in _SURVEYS if survey in of_catalogue), row.name)


def _designations(row: _Row) -> list[Designation]:
    messier = read_designation(f"M {row.messier}") if row.messier else None
    own = read_designation(_spelled_out(row.name))
    synonyms = [f"NGC {number}" for number in row.ngc.split(",")] + [
        f"IC {number}" for number in row.ic.split(",")
    ]
    read = [messier, own, *(read_designation(name) for name in synonyms), *_others(row)]
    return [designation for designation in read if designation is not None]


def _others(row: _Row) -> list[Designation]:
    written = (_spelled_out(name.strip()) for name in row.identifiers.split(","))
    return [found for name in written if (found := read_designation(name)) is not None]


def _spelled_out(identifier: str) -> str:
    """Return an identifier of OpenNGC's in a spelling of its own: its Cl is Collinder's."""
    for mark, catalogue in (("Cl", "Cr "), ("H", "Harvard ")):
        number = identifier.removeprefix(mark).strip()
        if number.isdigit() and identifier.startswith(mark):
            return f"{catalogue}{number}"
    return identifier


def _capitalised(name: str) -> str:
    return name[:1].upper() + name[1:] if name.startswith("the ") else name
