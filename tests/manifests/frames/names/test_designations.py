import pytest

from manifests.frames.names.designations import NUMBERED, find_designations, read_designation


def read(text: str) -> str | None:
    designation = read_designation(text)
    return None if designation is None else str(designation)


@pytest.mark.parametrize(
    ("style", "spellings"),
    [
        ("M 33", ["M33", "m 33", "Messier 033", "M-33", "MESSIER33", "M.33"]),
        ("NGC 7331", ["NGC7331", "ngc 7331", "N.G.C. 7331", "NGC-07331"]),
        ("NGC 3690B", ["NGC3690b", "ngc 3690B"]),
        ("IC 434", ["IC434", "I.C. 434", "ic 0434"]),
        ("Sh2-155", ["Sh2-155", "SH 2 155", "Sharpless 155", "Sharpless 2-155"]),
        ("Sh2-155", ["Sh2155", "SH2 155", "Sh-2 155", "Sh 155"]),
        ("vdB 142", ["vdB142", "VDB 142", "van den Bergh 142"]),
        ("LDN 1251", ["LDN1251", "Lynds Dark Nebula 1251"]),
        ("LBN 833", ["LBN 833", "lbn833"]),
        ("B 33", ["B33", "Barnard 33", "b 033"]),
        ("Abell 21", ["Abell 21", "PN A66 21", "abell21"]),
        ("Abell 2151", ["Abell 2151", "ACO 2151", "aco2151"]),
        ("ACO 21", ["ACO 21", "aco 021"]),
        ("Arp 273", ["Arp273", "ARP 273"]),
        ("C 14", ["C14", "Caldwell 14"]),
        ("Mel 15", ["Mel 15", "Melotte 15"]),
        ("Cr 399", ["Cr399", "Collinder 399"]),
        ("Tr 14", ["Trumpler 14", "Tr14"]),
        ("HCG 92", ["Hickson 92", "HCG92", "Hickson Compact Group 92"]),
        ("Mrk 421", ["Mrk421", "Mkn 421", "Markarian 421"]),
        ("Simeis 147", ["Simeis 147"]),
        ("WR 134", ["WR134"]),
        ("Ced 55a", ["Ced 55A", "Cederblad 55a"]),
        ("PGC 5818", ["PGC 005818", "LEDA 5818"]),
        ("ESO 137-001", ["ESO 137-1", "ESO 137-G001", "eso137-001"]),
        ("MCG +05-04-069", ["MCG+5-4-69", "MCG +05-04-069"]),
        ("PK 164+31.1", ["PK 164+31.1", "PK164+31 1"]),
        ("PN G138.8+02.8", ["PN G138.8+02.8", "PNG 138.8+2.8"]),
    ],
)
def test_spellings_of_one_designation_are_one(style: str, spellings: list[str]) -> None:
    assert {read(spelling) for spelling in spellings} == {style}
    assert read(style) == style


@pytest.mark.parametrize(
    "name",
    [
        "M 1-92",  # Minkowski's
        "C/2023 A3",  # a comet
        "12P/Pons-Brooks",
        "NGC 6992/5",  # two objects
        "M 31.5",
        "Sh 2",  # Sharpless' second catalogue without a number, most likely
        "M31core",
        "Comb 33",
        "M 99999999999",
        "J0133+3039",
        "",
    ],
)
def test_what_only_looks_like_a_designation_is_none(name: str) -> None:
    assert read(name) is None


@pytest.mark.parametrize("catalogue", NUMBERED, ids=lambda catalogue: catalogue.prefix.strip())
def test_a_number_beyond_its_catalogue_is_no_designation(catalogue) -> None:
    style = "Abell " if catalogue.prefix == "ACO " else catalogue.prefix
    assert read(f"{catalogue.prefix}{catalogue.last}") == f"{style}{catalogue.last}"
    assert read(f"{catalogue.prefix}{catalogue.last + 1}") is None
    assert read(f"{catalogue.prefix}0") is None


def test_every_spelling_of_every_catalogue_leads_to_its_one_style() -> None:
    for catalogue in NUMBERED:
        for spelling in catalogue.spellings.split("|"):
            expected = "Abell 7" if spelling in ("pn a66", "pna") else f"{catalogue.prefix}7"
            assert read(f"{spelling} 7") == read(f"{spelling.upper()} 007") == expected


def test_designations_are_found_within_a_name_and_those_beyond_a_range_are_marked() -> None:
    found = find_designations("M81, NGC 3077 and M 111")
    assert [(str(one.designation), one.beyond) for one in found] == [
        ("M 81", False),
        ("NGC 3077", False),
        ("M 111", True),
    ]


def test_the_end_of_a_word_is_no_designation() -> None:
    assert find_designations("Comb 33 and Rim 45") == []


def test_abells_clusters_have_one_style_only_where_no_planetary_nebula_has_the_number() -> None:
    # Abell 1966 has 86 planetary nebulae; Abell, Corwin & Olowin 1989 number clusters to 4076.
    assert (read("ACO 86"), read("Abell 86")) == ("ACO 86", "Abell 86")
    assert read("ACO 87") == read("Abell 87") == "Abell 87"
