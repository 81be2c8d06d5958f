"""The objects of designations and common names, by the hand table and the optional catalogue."""

from __future__ import annotations

from dataclasses import dataclass

from manifests.frames.names.angles import separation_deg
from manifests.frames.names.catalogues import Catalogue, CatalogueObject
from manifests.frames.names.designations import Designation
from manifests.frames.names.handbook import Place, handbook


@dataclass(frozen=True, slots=True)
class SkyObject:
    """An object by its one name; position (ICRS degrees) and largest diameter (degrees) where known."""

    name: str
    ra_deg: float | None = None
    dec_deg: float | None = None
    size_deg: float | None = None
    common_names: tuple[str, ...] = ()

    def away_deg(self, ra_deg: float, dec_deg: float) -> float | None:
        """Return the angle from a position (ICRS degrees), degrees; None where the object's is not known."""
        if self.ra_deg is None or self.dec_deg is None:
            return None
        return separation_deg(ra_deg, dec_deg, self.ra_deg, self.dec_deg)


class SkyObjects:
    """Finds objects by designation and by common name; the hand table goes before the catalogue."""

    def __init__(self, catalogue: Catalogue | None = None) -> None:
        self._catalogue = catalogue

    def identified(self, designation: Designation) -> SkyObject:
        """Return the object of a designation; where nothing is known of it, its designation alone."""
        main = handbook().one_object(designation)
        found = self._catalogue.identify(main) if self._catalogue else None
        return _sky_object(str(main), found)

    def named(self, common_name: str) -> tuple[SkyObject, ...]:
        """Return the object that goes by a common name, or the several that do."""
        if by_hand := handbook().named(common_name):
            return tuple(self.identified(designation) for designation in by_hand)
        found = self._catalogue.named(common_name) if self._catalogue else ()
        return tuple(_sky_object(one.name, one) for one in found)

    def best_known_near(self, ra_deg: float, dec_deg: float, radius_deg: float) -> SkyObject | None:
        """Return the object near a position (ICRS degrees) that has a Messier number, else the largest."""
        near = self._catalogue.near(ra_deg, dec_deg, radius_deg) if self._catalogue else ()
        found = [one.object for one in near]
        best = max(found, key=lambda one: (one.name.startswith("M "), one.size_arcmin or 0.0), default=None)
        return None if best is None else _sky_object(best.name, best)


def _sky_object(main: str, found: CatalogueObject | None) -> SkyObject:
    book = handbook()
    place, names = book.places.get(main, Place()), book.names.get(main, ())
    sizes_arcmin = [place.size_arcmin, found.size_arcmin if found else None]
    known = [size / 60 for size in sizes_arcmin if size is not None]
    size_deg = max(known, default=None)
    if found is None or found.ra_deg is None or found.dec_deg is None:
        return SkyObject(found.name if found else main, place.ra_deg, place.dec_deg, size_deg, names)
    return SkyObject(found.name, found.ra_deg, found.dec_deg, size_deg, (*names, *found.common_names))
