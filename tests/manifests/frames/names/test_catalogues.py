import sqlite3
import sys
from pathlib import Path

import pytest

from manifests.frames.names.catalogues import (
    Catalogue,
    CatalogueObject,
    CatalogueUnreadable,
    load_catalogue,
    read_catalogue,
)
from manifests.frames.names.designations import read_designation


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    loaded = load_catalogue()
    assert loaded is not None
    return loaded


def identified(catalogue: Catalogue, written: str) -> CatalogueObject | None:
    designation = read_designation(written)
    assert designation is not None
    return catalogue.identify(designation)


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("NGC 598", "M 33"),
        ("UGC 1117", "M 33"),
        ("PGC 5818", "M 33"),
        ("MCG +05-04-069", "M 33"),
        ("Mel 22", "M 45"),
        ("LBN 833", "M 1"),
        ("IC 11", "NGC 281"),  # a duplicate entry
        ("C 20", "NGC 7000"),
        ("C 9", "Sh2-155"),  # found only among the object's other identifiers
        ("PK 138+02.1", "IC 289"),
        ("Cr 50", "C 41"),
        ("Harvard 20", "Cr 408"),
        ("NGC 5457", "M 101"),
        ("NGC 2239", "NGC 2244"),  # the number in common use
        ("ESO 56-115", "Large Magellanic Cloud"),
        ("LBN 1041", "NGC 2359"),  # only in the list: the table of identifiers ends at 999
        ("LBN 1113", "IC 4592"),
        ("PGC 1190197", "IC 298A"),
        ("LEDA 2817561", "IC 443"),
        ("PGC 143", "Wolf-Lundmark-Melotte"),
        ("C 49", "NGC 2237"),
        ("LBN 948", "NGC 2237"),
        ("NGC 1909", "IC 2118"),
    ],
)
def test_a_designation_leads_to_its_objects_one_name(catalogue: Catalogue, written: str, name: str) -> None:
    found = identified(catalogue, written)
    assert found is not None
    assert found.name == name
    assert str(read_designation(written)) in found.designations


@pytest.mark.parametrize("written", ["M 102", "vdB 142", "LDN 1251", "NGC 7000Z", "Arp 273"])
def test_a_designation_the_catalogue_has_not_is_none(catalogue: Catalogue, written: str) -> None:
    assert identified(catalogue, written) is None


def test_m_101_is_its_own_entry_not_that_of_the_disputed_m_102(catalogue: Catalogue) -> None:
    found = identified(catalogue, "M 101")
    assert found is not None
    assert "NGC 5457" in found.designations
    assert "M 102" not in found.designations


def test_an_object_says_what_else_it_is_called_and_where_it_is(catalogue: Catalogue) -> None:
    found = identified(catalogue, "M 33")
    assert found is not None
    assert found.designations[:2] == ("M 33", "NGC 598")
    assert "Triangulum Galaxy" in found.common_names
    assert found.ra_deg == pytest.approx(23.462, abs=0.001)
    assert found.dec_deg == pytest.approx(30.660, abs=0.001)
    assert found.size_arcmin == pytest.approx(62, abs=1)


def test_of_two_objects_with_one_common_name_the_messier_object_has_it(catalogue: Catalogue) -> None:
    assert [one.name for one in catalogue.named("Eagle Nebula")] == ["M 16"]
    assert [one.name for one in catalogue.named("antennae galaxies")] == ["NGC 4038", "NGC 4039"]


@pytest.mark.parametrize(
    ("written", "names"),
    [
        ("Cocoon Galaxy", ["NGC 4490"]),
        ("Flame Nebula", ["NGC 2024"]),
        ("Rosette Nebula", ["NGC 2237"]),
        ("Lobster Nebula", []),  # of several objects
        ("Spindle Galaxy", []),
        ("Veil Nebula", []),
        ("Swan Nebula", ["M 17"]),
        ("Bug Nebula", ["NGC 6302"]),
    ],
)
def test_slips_of_the_catalogue_are_corrected(catalogue: Catalogue, written: str, names: list[str]) -> None:
    assert [one.name for one in catalogue.named(written)] == names


@pytest.mark.parametrize("written", ["the Pleiades", "pleiades", "PLEIADES"])
def test_a_common_name_is_found_in_any_spelling(catalogue: Catalogue, written: str) -> None:
    assert [one.name for one in catalogue.named(written)] == ["M 45"]


def test_punctuation_makes_no_other_common_name(catalogue: Catalogue) -> None:
    assert catalogue.named("Cats Eye Nebula") == catalogue.named("cat’s-eye nebula") != ()
    assert catalogue.named("") == catalogue.named("the") == ()


def test_objects_near_a_position_come_nearest_first(catalogue: Catalogue) -> None:
    near = catalogue.near(23.46, 30.66, 0.5)
    assert near[0].object.name == "M 33"
    separations = [one.separation_deg for one in near]
    assert separations == sorted(separations)
    assert separations[-1] <= 0.5
    assert {"NGC 604", "NGC 595"} <= {one.object.name for one in near}


def test_objects_near_the_pole_and_across_zero_hours_are_found(catalogue: Catalogue) -> None:
    assert "NGC 3172" in {one.object.name for one in catalogue.near(90.0, 89.9, 1.2)}
    assert {one.object.name for one in catalogue.near(0.01, 27.7, 2.0)} >= {"NGC 1", "NGC 7814"} - {
        "NGC 7814"
    }
    west = {one.object.name for one in catalogue.near(0.0, 20.0, 1.5) if (one.object.ra_deg or 0) > 180}
    east = {one.object.name for one in catalogue.near(0.0, 20.0, 1.5) if (one.object.ra_deg or 0) < 180}
    assert west
    assert east


def test_a_duplicate_entry_is_not_a_second_neighbour(catalogue: Catalogue) -> None:
    ngc_281 = identified(catalogue, "NGC 281")
    assert ngc_281 is not None
    assert ngc_281.ra_deg is not None
    assert ngc_281.dec_deg is not None
    near = catalogue.near(ngc_281.ra_deg, ngc_281.dec_deg, 0.01)
    assert [one.object.name for one in near] == ["NGC 281"]


def test_without_the_package_there_is_no_catalogue(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyongc", None)
    assert load_catalogue.__wrapped__() is None


def test_a_catalogue_is_loaded_once() -> None:
    assert load_catalogue() is load_catalogue()


def test_a_damaged_catalogue_is_said_to_be_unreadable(tmp_path: Path) -> None:
    damaged = tmp_path / "ongc #1.db"
    damaged.write_bytes(b"not a database" * 100)
    with pytest.raises(CatalogueUnreadable) as caught:
        read_catalogue(damaged)
    assert caught.value.path == damaged
    assert "not a database" in str(caught.value)


def test_a_catalogue_of_another_form_or_missing_is_said_to_be_unreadable(tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    database = sqlite3.connect(other)
    database.execute("CREATE TABLE stars (name TEXT)")
    database.close()
    with pytest.raises(CatalogueUnreadable, match="no such table"):
        read_catalogue(other)
    with pytest.raises(CatalogueUnreadable):
        read_catalogue(tmp_path / "missing.db")
