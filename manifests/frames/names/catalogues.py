"""The optional open catalogue (OpenNGC, from the package pyongc): which designations are one object.

Nothing is asked of a network. Without the package there is no catalogue, and every designation
stays itself.
"""

from __future__ import annotations

import sqlite3
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from functools import cache, cached_property
from math import degrees
from pathlib import Path
from typing import NamedTuple

from manifests.frames.names.angles import separation_deg
from manifests.frames.names.designations import Designation, read_designation

# How OpenNGC writes the designations that its table of identifiers has.
_IDENTIFIERS = {
    "NGC": "NGC{:0>4}", "IC": "IC{:0>4}", "C": "C{:0>3}", "B": "B{:0>3}", "LBN": "LBN{:0>3}",
    "HCG": "HCG{:0>3}", "Mel": "MEL{:0>3}", "Cr": "CL{:0>3}", "Harvard": "H{:0>2}", "UGC": "UGC{:0>5}",
    "UGCA": "UGCA{:0>3}", "MWSC": "MWSC{:0>4}", "PGC": "PGC{:0>6}", "ESO": "ESO{}", "MCG": "MCG{}",
}  # fmt: skip
# These stand only in the list of an object's other identifiers.
_ONLY_LISTED = ("SH 2-", "PK ", "PN G", "Mel ", "Cl ")

# Which of an object's designations names it: the first catalogue here that has it. An object that
# has only numbers of the surveys at the end goes by its common name where it has one.
_WELL_KNOWN = ("M", "NGC", "IC", "Sh2", "C", "B", "Mel", "Cr", "HCG", "Harvard", "LBN")
_SURVEYS = ("UGC", "UGCA", "MWSC", "ESO", "PGC", "MCG", "PK", "PN G")

# Two numbers of one catalogue for one object, where common use (and the Caldwell list) is not with
# the one that OpenNGC keeps; from memory.
_COMMON_USE = {"NGC 2239": "NGC 2244", "NGC 3189": "NGC 3190", "NGC 1269": "NGC 1291"}

# Names that handbooks give to another object, or to more than one: OpenNGC has the Flame at IC 434
# (it is NGC 2024), the whole Veil at its western part, and one of two Spindle galaxies.
_NOT_ONE_OBJECT = frozenset({"flamenebula", "veilnebula", "spindlegalaxy"})


class CatalogueUnreadable(Exception):
    """The catalogue's file (`path`) is there but cannot be read, or has another form (`reason`)."""

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(f"{path}: the catalogue cannot be read ({reason})")
        self.path = path
        self.reason = reason


@dataclass(frozen=True, slots=True)
class CatalogueObject:
    """One object: its one name, its designations in their one style, where it is (ICRS degrees)."""

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
        """Give the object of this designation, or None where the catalogue has none.

        M 102 has none: whether it is M 101 seen twice or NGC 5866 is disputed.
        """
        row = self._row(designation)
        return None if row is None else _object(row)

    def named(self, common_name: str) -> tuple[CatalogueObject, ...]:
        """Give the objects that go by a common name (case, spaces and punctuation aside).

        Of several the one with a Messier number, where just one has it; none where handbooks disagree.
        """
        rows = self._by_common_name.get(common_key(common_name), ())
        of_messier = [row for row in rows if row.messier]
        return tuple(_object(row) for row in (of_messier if len(of_messier) == 1 else rows))

    def near(self, ra_deg: float, dec_deg: float, radius_deg: float) -> tuple[Neighbour, ...]:
        """Give the objects within `radius_deg` of a position (ICRS degrees), the nearest first."""
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
            name = self._identifiers.get(_padded(form, designation))
        row = self._rows.get(name) if name else None
        return self._main(row) if row else None

    def _main(self, row: _Row) -> _Row | None:
        """Give the row that a row marked as a duplicate stands for."""
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
    def _by_common_name(self) -> dict[str, tuple[_Row, ...]]:
        named: dict[str, tuple[_Row, ...]] = {}
        for row in self._rows.values():
            for key in {common_key(name) for name in row.common_names.split(",")} - _NOT_ONE_OBJECT - {""}:
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
    try:
        from pyongc import DBPATH
    except ImportError:
        return None
    return read_catalogue(Path(DBPATH))


def read_catalogue(path: Path) -> Catalogue:
    """Read OpenNGC's SQLite file. Raises CatalogueUnreadable."""
    try:
        with closing(
            sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
        ) as database:
            rows = [_Row._make(row) for row in database.execute(_OBJECTS)]
            return Catalogue(rows, dict(database.execute(_OTHER_NAMES)))
    except sqlite3.Error as error:
        raise CatalogueUnreadable(path, str(error)) from error


def common_key(name: str) -> str:
    """Give what the spellings of a common name share: no case, spaces, punctuation, leading "the"."""
    words = name.casefold().replace("’", "").replace("'", "").split()
    kept = words[1:] if words[:1] == ["the"] else words
    return "".join(character for character in "".join(kept) if character.isalnum())


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
    """Give an identifier of OpenNGC's in a spelling that is not shared: its Cl is Collinder's."""
    for mark, catalogue in (("Cl", "Cr "), ("H", "Harvard ")):
        number = identifier.removeprefix(mark).strip()
        if number.isdigit() and identifier.startswith(mark):
            return f"{catalogue}{number}"
    return identifier


def _capitalised(name: str) -> str:
    return name[:1].upper() + name[1:] if name.startswith("the ") else name
