"""The names of targets against published lists, and against the library that carries the catalogue.

The Messier list's NGC and IC numbers are as any handbook prints them, here put down from memory, and so is
the whole Caldwell list (Moore 1995). Sharpless (1959) numbered his nebulae, and Lynds (1962, 1965) hers, by
galactic longitude: a number that leads to an object elsewhere in that order is wrong. Which names and numbers
belong together is also asked of pyongc itself, through its own functions; positions against its own search.
"""

import pytest
from pyongc import ongc
from pyongc.exceptions import ObjectNotFound

from manifests.frames.names.angles import separation_deg
from manifests.frames.names.catalogues import Catalogue, load_catalogue
from manifests.frames.names.designations import NUMBERED, read_designation
from manifests.frames.names.handbook import handbook
from manifests.frames.names.places import KnownTarget, same_field
from manifests.frames.names.sky_objects import SkyObject, SkyObjects
from manifests.frames.names.targets import TargetNames

# M 1 … M 110; M 102 is disputed and has none. M 40 is a double star, M 45 is Melotte's 22nd cluster.
MESSIER = (
    "NGC 1952|NGC 7089|NGC 5272|NGC 6121|NGC 5904|NGC 6405|NGC 6475|NGC 6523|NGC 6333|NGC 6254|NGC 6705|"
    "NGC 6218|NGC 6205|NGC 6402|NGC 7078|NGC 6611|NGC 6618|NGC 6613|NGC 6273|NGC 6514|NGC 6531|NGC 6656|"
    "NGC 6494|IC 4715|IC 4725|NGC 6694|NGC 6853|NGC 6626|NGC 6913|NGC 7099|NGC 224|NGC 221|NGC 598|"
    "NGC 1039|NGC 2168|NGC 1960|NGC 2099|NGC 1912|NGC 7092||NGC 2287|NGC 1976|NGC 1982|NGC 2632|Mel 22|"
    "NGC 2437|NGC 2422|NGC 2548|NGC 4472|NGC 2323|NGC 5194|NGC 7654|NGC 5024|NGC 6715|NGC 6809|NGC 6779|"
    "NGC 6720|NGC 4579|NGC 4621|NGC 4649|NGC 4303|NGC 6266|NGC 5055|NGC 4826|NGC 3623|NGC 3627|NGC 2682|"
    "NGC 4590|NGC 6637|NGC 6681|NGC 6838|NGC 6981|NGC 6994|NGC 628|NGC 6864|NGC 650|NGC 1068|NGC 2068|"
    "NGC 1904|NGC 6093|NGC 3031|NGC 3034|NGC 5236|NGC 4374|NGC 4382|NGC 4406|NGC 4486|NGC 4501|NGC 4552|"
    "NGC 4569|NGC 4548|NGC 6341|NGC 2447|NGC 4736|NGC 3351|NGC 3368|NGC 3587|NGC 4192|NGC 4254|NGC 4321|"
    "NGC 5457||NGC 581|NGC 4594|NGC 3379|NGC 4258|NGC 6171|NGC 3556|NGC 3992|NGC 205"
)

# C 1 … C 109. C 14 is two clusters, C 41 the Hyades, C 99 the Coalsack: they go by these numbers.
CALDWELL = (
    "NGC 188|NGC 40|NGC 4236|NGC 7023|IC 342|NGC 6543|NGC 2403|NGC 559|Sh2-155|NGC 663|NGC 7635|"
    "NGC 6946|NGC 457|C 14|NGC 6826|NGC 7243|NGC 147|NGC 185|IC 5146|NGC 7000|NGC 4449|NGC 7662|"
    "NGC 891|NGC 1275|NGC 2419|NGC 4244|NGC 6888|NGC 752|NGC 5005|NGC 7331|IC 405|NGC 4631|NGC 6992|"
    "NGC 6960|NGC 4889|NGC 4559|NGC 6885|NGC 4565|NGC 2392|NGC 3626|C 41|NGC 7006|NGC 7814|NGC 7479|"
    "NGC 5248|NGC 2261|NGC 6934|NGC 2775|NGC 2237|NGC 2244|IC 1613|NGC 4697|NGC 3115|NGC 2506|NGC 7009|"
    "NGC 246|NGC 6822|NGC 2360|NGC 3242|NGC 4038|NGC 4039|NGC 247|NGC 7293|NGC 2362|NGC 253|NGC 5694|"
    "NGC 1097|NGC 6729|NGC 6302|NGC 300|NGC 2477|NGC 55|NGC 1851|NGC 3132|NGC 6124|NGC 6231|NGC 5128|"
    "NGC 6541|NGC 3201|NGC 5139|NGC 6352|NGC 6193|NGC 4945|NGC 5286|IC 2391|NGC 6397|NGC 1261|NGC 5823|"
    "NGC 6087|NGC 2867|NGC 3532|NGC 3372|NGC 6752|NGC 4755|NGC 6025|NGC 2516|NGC 3766|NGC 4609|C 99|"
    "IC 2944|NGC 6744|IC 2602|NGC 2070|NGC 362|NGC 4833|NGC 104|NGC 6101|NGC 4372|NGC 3195"
)

COMMON_NAMES = {
    "Crab Nebula": "M 1",
    "Lagoon Nebula": "M 8",
    "Wild Duck Cluster": "M 11",
    "Eagle Nebula": "M 16",
    "Omega Nebula": "M 17",
    "Trifid Nebula": "M 20",
    "Dumbbell Nebula": "M 27",
    "Andromeda Galaxy": "M 31",
    "Triangulum Galaxy": "M 33",
    "Orion Nebula": "M 42",
    "Pleiades": "M 45",
    "Whirlpool Galaxy": "M 51",
    "Ring Nebula": "M 57",
    "Sunflower Galaxy": "M 63",
    "Cigar Galaxy": "M 82",
    "Owl Nebula": "M 97",
    "Sombrero Galaxy": "M 104",
    "North America Nebula": "NGC 7000",
    "Pelican Nebula": "IC 5070",
    "Horsehead Nebula": "B 33",
    "California Nebula": "NGC 1499",
    "Helix Nebula": "NGC 7293",
    "Crescent Nebula": "NGC 6888",
    "Bubble Nebula": "NGC 7635",
    "Iris Nebula": "NGC 7023",
    "Cocoon Nebula": "IC 5146",
    "Fireworks Galaxy": "NGC 6946",
    "Flaming Star Nebula": "IC 405",
    "Cave Nebula": "Sh2-155",
    "Rosette Nebula": "NGC 2237",
    "Flame Nebula": "NGC 2024",
    "Cocoon Galaxy": "NGC 4490",
    "Witch Head Nebula": "IC 2118",
    "Cat's Paw Nebula": "NGC 6334",
    "Jellyfish Nebula": "IC 443",
    "Whale Galaxy": "NGC 4631",
    "Hyades": "C 41",
    "Tarantula Nebula": "NGC 2070",
}


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    loaded = load_catalogue()
    assert loaded is not None
    return loaded


@pytest.fixture(scope="module")
def names(catalogue: Catalogue) -> TargetNames:
    return TargetNames(catalogue=catalogue)


def test_every_messier_number_has_the_number_that_handbooks_print(names: TargetNames) -> None:
    other = MESSIER.split("|")
    assert len(other) == 110
    named = {number: names.name(number).canonical for number in other if number}
    assert named == {number: f"M {index}" for index, number in enumerate(other, 1) if number}


def test_the_caldwell_list_leads_to_the_numbers_that_it_prints(names: TargetNames) -> None:
    expected = CALDWELL.split("|")
    assert len(expected) == 109
    assert [names.name(f"Caldwell {number}").canonical for number in range(1, 110)] == expected


def test_without_a_catalogue_the_rosette_is_still_number_49() -> None:
    assert (
        TargetNames().name("Caldwell 49").canonical == TargetNames().name("Rosette").canonical == "NGC 2237"
    )


def galactic_longitude_deg(one: SkyObject) -> float:
    from astropy.coordinates import SkyCoord

    assert one.ra_deg is not None
    return float(SkyCoord(one.ra_deg, one.dec_deg, unit="deg").galactic.l.deg)


def assert_in_order(longitudes: list[tuple[int, float]], start_deg: float, slack_deg: float) -> None:
    """Check that longitudes, counted from where a list begins, rise with its numbers.

    The lists go by the longitudes of before 1958, from which those of today differ by a constant and, with
    the latitude, a little more.
    """
    furthest, at = 0.0, 0
    for number, longitude_deg in sorted(longitudes):
        along = (longitude_deg - start_deg) % 360
        assert along > furthest - slack_deg, f"{number} is at {longitude_deg:.1f}°, before {at}"
        if along > furthest:
            furthest, at = along, number


def test_sharpless_numbers_lead_to_objects_in_the_order_in_which_he_numbered(catalogue: Catalogue) -> None:
    book, sky = handbook(), SkyObjects(catalogue)
    numbers = {name: of for name, of in book.main.items() if name.startswith("Sh2-")}
    numbers |= {name: of for name in book.names if (of := read_designation(name)) and of.catalogue == "Sh2"}
    found = [
        (int(name.removeprefix("Sh2-")), galactic_longitude_deg(one))
        for name, of in numbers.items()
        if (one := sky.identified(of)).ra_deg is not None
    ]
    assert len(found) > 55
    assert_in_order(found, 345.0, 4.0)


def test_lyndss_bright_nebulae_are_in_the_order_in_which_she_numbered(catalogue: Catalogue) -> None:
    sky = SkyObjects(catalogue)
    found = []
    for number in range(1, 1126):
        designation = read_designation(f"LBN {number}")
        assert designation is not None
        one = sky.identified(designation)
        if one.name != str(designation) and one.ra_deg is not None:
            found.append((number, galactic_longitude_deg(one)))
    assert len(found) > 80
    assert {1041, 1065, 1113} <= {number for number, _ in found}
    assert_in_order(found, 0.0, 6.0)


@pytest.mark.parametrize(
    ("prefix", "last"),
    [("Sh2-", 313), ("LDN ", 1802), ("LBN ", 1125), ("vdB ", 158), ("B ", 370), ("Arp ", 338), ("HCG ", 100)],
)
def test_a_list_ends_where_its_author_ended_it(prefix: str, last: int) -> None:
    # Sharpless 1959, Lynds 1962, 1965, van den Bergh 1966, Barnard 1927, Arp 1966, Hickson 1982; from memory.
    assert {numbered.prefix: numbered.last for numbered in NUMBERED}[prefix] == last


@pytest.mark.parametrize(
    ("number", "name"),
    [
        ("PGC 2557", "NGC 224"),
        ("PGC 1190197", "IC 298A"),
        ("LEDA 2817561", "IC 443"),
        ("LBN 1041", "NGC 2359"),
        ("LBN 1113", "IC 4592"),
    ],
)
def test_a_number_leads_to_the_object_for_which_the_catalogues_own_library_lists_it(
    catalogue: Catalogue, number: str, name: str
) -> None:
    listed = ongc.Dso(name).identifiers[4]
    assert number in {" ".join([one.split()[0], one.split()[1].lstrip("0")]) for one in listed}
    designation = read_designation(number)
    assert designation is not None
    found = catalogue.identify(designation)
    assert found is not None
    assert name in found.designations


def test_every_caldwell_number_is_known(catalogue: Catalogue) -> None:
    for number in range(1, 110):
        designation = read_designation(f"Caldwell {number}")
        assert designation is not None
        assert catalogue.identify(designation) is not None


def test_common_names_lead_to_the_objects_that_handbooks_give_them(names: TargetNames) -> None:
    assert {name: names.name(name).canonical for name in COMMON_NAMES} == COMMON_NAMES


@pytest.mark.parametrize("prefix", ["M ", "NGC ", "IC ", "C "])
def test_a_catalogue_ends_where_its_own_library_has_no_more(prefix: str) -> None:
    (last,) = (numbered.last for numbered in NUMBERED if numbered.prefix == prefix)
    ongc.Dso(f"{prefix}{last}")
    with pytest.raises(ObjectNotFound):
        ongc.Dso(f"{prefix}{last + 1}")


@pytest.mark.parametrize(
    "written",
    [
        "NGC1",
        "NGC224",
        "IC11",
        "IC4715",
        "NGC2244",
        "NGC5906",
        "NGC4884",
        "NGC3690B",
        "M1",
        "M45",
        "M110",
        "B33",
    ],
)
def test_an_object_is_where_the_catalogues_own_library_has_it(catalogue: Catalogue, written: str) -> None:
    designation = read_designation(written)
    assert designation is not None
    found, dso = catalogue.identify(designation), ongc.Dso(written)
    assert found is not None
    assert found.ra_deg is not None
    assert found.dec_deg is not None
    # To 0.01 s of time: how finely the library prints.
    hours, degrees = dso.coords
    ra_deg = 15 * (hours[0] + hours[1] / 60 + hours[2] / 3600)
    dec_deg = abs(degrees[0]) + degrees[1] / 60 + degrees[2] / 3600
    assert separation_deg(found.ra_deg, abs(found.dec_deg), ra_deg, dec_deg) < 1e-6


@pytest.mark.parametrize(
    ("written", "ra_deg", "dec_deg"),
    [("01:33:50.9 +30:39:35.8", 23.46208, 30.65994), ("11:19:36.0 +13:20:00.0", 169.9, 13.33333)],
)
def test_neighbours_are_those_of_the_catalogues_own_search(
    catalogue: Catalogue, written: str, ra_deg: float, dec_deg: float
) -> None:
    theirs = {round(float(separation), 4) for _, separation in ongc.nearby(written, separation=45)}
    ours = {round(one.separation_deg, 4) for one in catalogue.near(ra_deg, dec_deg, 0.75)}
    assert len(ours) == len(theirs) > 3
    assert all(min(abs(one - other) for other in theirs) < 0.0002 for one in ours)


def test_an_angle_on_the_sky_is_the_handbooks() -> None:
    # Meeus, Astronomical Algorithms, example 17.a: Arcturus to Spica.
    assert separation_deg(213.9154, 19.1825, 201.2983, -11.1614) == pytest.approx(32.7930, abs=0.00005)


def test_pairs_in_one_field_are_those_of_an_independent_search(catalogue: Catalogue) -> None:
    import astropy.units as u
    from astropy.coordinates import SkyCoord, search_around_sky

    near = catalogue.near(187.7, 12.4, 4.0)  # the Virgo cluster
    targets = [
        KnownTarget(one.object.name, one.object.ra_deg or 0.0, one.object.dec_deg or 0.0, 0.8) for one in near
    ]
    assert len(targets) > 200
    sky = SkyCoord([t.ra_deg for t in targets] * u.deg, [t.dec_deg for t in targets] * u.deg)
    first, second, _, _ = search_around_sky(sky, sky, 0.2 * u.deg)
    theirs = {frozenset((int(a), int(b))) for a, b in zip(first, second, strict=True) if a != b}
    index = {id(target): number for number, target in enumerate(targets)}
    ours = {frozenset((index[id(pair.first)], index[id(pair.second)])) for pair in same_field(targets)}
    assert ours == theirs
    assert len(ours) > 50
