from __future__ import annotations

import pytest

from manifests.frames.names.angles import separation_deg
from manifests.frames.names.catalogues import load_catalogue
from manifests.frames.names.designations import read_designation
from manifests.frames.names.handbook import _enter, handbook
from manifests.frames.names.sky_objects import SkyObjects
from manifests.frames.names.targets import TargetNames


def designation(written: str):
    found = read_designation(written)
    assert found is not None
    return found


@pytest.mark.parametrize("catalogue", [None, load_catalogue()], ids=["alone", "catalogue"])
@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("Heart", "IC 1805"),
        ("Soul Nebula", "IC 1848"),
        ("Elephant's Trunk", "IC 1396"),
        ("elephant trunk neb", "IC 1396"),
        ("Wizard", "NGC 7380"),
        ("Jellyfish", "IC 443"),
        ("Cone", "NGC 2264"),
        ("Pacman", "NGC 281"),
        ("Pac-Man Nebula", "NGC 281"),
        ("Antennae", "NGC 4038"),
        ("Coathanger", "Cr 399"),
        ("Rosette", "NGC 2237"),
        ("Crescent", "NGC 6888"),
        ("Pelican", "IC 5070"),
        ("Tulip", "Sh2-101"),
        ("Spaghetti Nebula", "Sh2-240"),
        ("Medusa Nebula", "Abell 21"),
        ("Dark Shark", "LDN 1235"),
        ("Cocoon Galaxy", "NGC 4490"),
        ("Cocoon Nebula", "IC 5146"),
        ("Owl Nebula", "M 97"),
        ("Owl Cluster", "NGC 457"),
    ],
)
def test_a_popular_name_leads_to_its_object_with_and_without_the_catalogue(catalogue, written, name) -> None:
    assert TargetNames(catalogue=catalogue).name(written).canonical == name


@pytest.mark.parametrize(
    "word", ["Orion", "Saturn", "Sculptor", "Carina", "Double", "Omega", "Great Orion", "Hidden"]
)
def test_half_a_name_that_may_be_anything_is_kept(word: str) -> None:
    assert TargetNames(catalogue=load_catalogue()).name(word).canonical == word


def test_no_name_and_no_number_has_two_objects_by_oversight() -> None:
    with pytest.raises(ValueError, match="heart"):
        _enter(handbook().by_name, "heart", designation("M 1"))
    book = handbook()  # which would have raised it
    assert not set(book.main) & set(book.names)  # no other number is a main number, too
    assert not set(book.several) & set(book.by_name)


def test_every_object_of_the_table_has_a_place_and_its_numbers_agree_with_the_catalogues() -> None:
    sky, book = SkyObjects(load_catalogue()), handbook()
    assert {main for main in book.names if sky.identified(designation(main)).ra_deg is None} == {"B 150"}
    names = TargetNames(catalogue=load_catalogue())
    for other, main in book.main.items():
        assert names.name(other).canonical == names.name(str(main)).canonical


def test_every_popular_name_is_the_same_target_with_and_without_the_catalogue() -> None:
    alone, beside = TargetNames(), TargetNames(catalogue=load_catalogue())
    names = [name for names in handbook().names.values() for name in names]
    assert len(names) > 150
    assert {name: beside.name(name).canonical for name in names} == {
        name: alone.name(name).canonical for name in names
    }


def test_the_places_of_the_table_are_those_of_the_catalogue() -> None:
    catalogue = load_catalogue()
    assert catalogue is not None
    for written, place in handbook().places.items():
        found = catalogue.identify(designation(written))
        if found is None or found.ra_deg is None or found.dec_deg is None or place.ra_deg is None:
            continue
        apart = separation_deg(place.ra_deg, place.dec_deg or 0.0, found.ra_deg, found.dec_deg)
        assert apart <= max(0.1, (place.size_arcmin or 0.0) / 120), written
