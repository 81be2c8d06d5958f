"""A hand table of the names that imagers write: popular names, Sharpless numbers, and what is one object.

It serves with or without the optional catalogue, which lacks most of these names. The numbers of
Sharpless (1959, ApJS 4, 257) and Lynds (1962, ApJS 7, 1; 1965, ApJS 12, 163), and the popular names, which
no authority keeps, are put down from memory as handbooks and atlases print them. The numbers, and the
positions (J2000) and sizes of what the catalogue has not, were compared once with a database of deep-sky
objects compiled from Steinicke's revised NGC and IC and from Sharpless's, Lynds's and van den Bergh's own
lists: 188 places lay within the object, but for LDN 1613 in NGC 2264 (0.55° from its middle) and IC 1795
(0.13°). tests/outside compares the numbers with the order in which Sharpless gave them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from manifests.frames.names.designations import Designation, read_designation
from manifests.frames.names.spelling import common_key

# The object's number | its other numbers | its popular names | right ascension, declination, diameter in
# minutes of arc; or the diameter alone, where the catalogue's is that of a cluster within.
_OBJECTS = """
M 1 | Sh2-244 | Crab Nebula
M 8 | Sh2-25 | Lagoon Nebula | 90
M 13 | | Great Hercules Cluster, Hercules Globular Cluster
M 16 | Sh2-49 | Eagle Nebula, Pillars of Creation | 90
M 17 | Sh2-45 | Omega Nebula, Swan Nebula | 60
M 20 | Sh2-30 | Trifid Nebula
M 27 | | Dumbbell Nebula
M 31 | | Andromeda Galaxy, Andromeda Nebula
M 33 | | Triangulum Galaxy
M 42 | Sh2-281 | Orion Nebula, Great Orion Nebula | 85
M 44 | | Beehive Cluster, Praesepe
M 45 | | Pleiades, Seven Sisters | 110
M 51 | | Whirlpool Galaxy
M 57 | | Ring Nebula
M 63 | | Sunflower Galaxy
M 64 | | Black Eye Galaxy, Blackeye Galaxy
M 74 | | Phantom Galaxy
M 76 | | Little Dumbbell Nebula
M 81 | | Bode's Galaxy, Bode's Nebula
M 82 | | Cigar Galaxy
M 83 | | Southern Pinwheel Galaxy
M 94 | | Croc's Eye Galaxy, Cat's Eye Galaxy
M 97 | | Owl Nebula
M 104 | | Sombrero Galaxy
NGC 40 | | Bow-Tie Nebula
NGC 104 | | 47 Tucanae
NGC 246 | | Skull Nebula
NGC 253 | | Sculptor Galaxy, Silver Coin Galaxy, Silver Dollar Galaxy
NGC 281 | Sh2-184 | Pacman Nebula, Pac-Man Nebula
NGC 457 | | Owl Cluster, E.T. Cluster
NGC 891 | | Silver Sliver Galaxy
NGC 1491 | Sh2-206 | Fossil Footprint Nebula
NGC 1499 | Sh2-220 | California Nebula
NGC 1501 | | Oyster Nebula
NGC 1514 | | Crystal Ball Nebula
NGC 1535 | | Cleopatra's Eye Nebula
NGC 1579 | Sh2-222 | Northern Trifid Nebula
NGC 1624 | Sh2-212 |
NGC 1931 | Sh2-237 | Fly Nebula
NGC 1977 | Sh2-279 | Running Man Nebula
NGC 2024 | Sh2-277 | Flame Nebula, Tank Track Nebula
NGC 2070 | | Tarantula Nebula
NGC 2174 | Sh2-252 | Monkey Head Nebula
NGC 2237 | Sh2-275, C 49, LBN 948, NGC 2238, NGC 2246 | Rosette Nebula | 80
NGC 2261 | | Hubble's Variable Nebula
NGC 2264 | Sh2-273, LDN 1613 | Cone Nebula, Christmas Tree Cluster, Fox Fur Nebula | 60
NGC 2359 | Sh2-298 | Thor's Helmet, Thor's Helmet Nebula, Duck Nebula
NGC 2392 | | Eskimo Nebula, Clown Face Nebula
NGC 2419 | | Intergalactic Wanderer, Intergalactic Tramp
NGC 2467 | Sh2-311 | Skull and Crossbones Nebula | 15
NGC 2736 | | Pencil Nebula
NGC 3132 | | Eight-Burst Nebula, Southern Ring Nebula
NGC 3242 | | Ghost of Jupiter, Jupiter's Ghost Nebula
NGC 3324 | | Gabriela Mistral Nebula | 16
NGC 3372 | | Carina Nebula, Eta Carinae Nebula, Keyhole Nebula | 120
NGC 3576 | | Statue of Liberty Nebula | 30
NGC 3628 | | Hamburger Galaxy
NGC 4038 | Arp 244 | Antennae Galaxies, Ringtail Galaxy
NGC 4244 | | Silver Needle Galaxy
NGC 4490 | | Cocoon Galaxy
NGC 4565 | | Needle Galaxy
NGC 4631 | | Whale Galaxy
NGC 4656 | | Hockey Stick Galaxy, Crowbar Galaxy
NGC 4755 | | Jewel Box Cluster, Herschel's Jewel Box
NGC 5128 | | Centaurus A
NGC 5139 | | Omega Centauri
NGC 5907 | | Splinter Galaxy, Knife Edge Galaxy
NGC 6188 | | Fighting Dragons of Ara, Dragons of Ara, Rim Nebula | 60
NGC 6231 | | Table of Scorpius
NGC 6334 | Sh2-8 | Cat's Paw Nebula | 60
NGC 6357 | Sh2-11 | War and Peace Nebula, Madokami Nebula | 90
NGC 6543 | | Cat's Eye Nebula
NGC 6604 | Sh2-54 | | 140
NGC 6820 | Sh2-86 | | 40
NGC 6888 | Sh2-105 | Crescent Nebula
NGC 6946 | | Fireworks Galaxy
NGC 6960 | | Western Veil Nebula, Veil Nebula West, Witch's Broom Nebula
NGC 6992 | | Eastern Veil Nebula, Veil Nebula East
NGC 7000 | Sh2-117 | North America Nebula, North American Nebula | 120
NGC 7008 | | Fetus Nebula
NGC 7009 | | Saturn Nebula
NGC 7023 | | Iris Nebula
NGC 7293 | | Helix Nebula
NGC 7380 | Sh2-142 | Wizard Nebula
NGC 7538 | Sh2-158 | Northern Lagoon Nebula
NGC 7635 | Sh2-162 | Bubble Nebula
NGC 7662 | | Blue Snowball Nebula
NGC 7789 | | Caroline's Rose
NGC 7814 | | Little Sombrero Galaxy
NGC 7822 | Sh2-171 | | 180
IC 342 | | Hidden Galaxy
IC 405 | Sh2-229 | Flaming Star Nebula
IC 410 | Sh2-236 | Tadpoles Nebula, Tadpole Nebula
IC 417 | Sh2-234 | Spider Nebula
IC 418 | | Spirograph Nebula
IC 443 | Sh2-248 | Jellyfish Nebula
IC 1284 | Sh2-37 |
IC 1318 | Sh2-108 | Gamma Cygni Nebula, Sadr Region, Sadr | 240
IC 1396 | Sh2-131, IC 1396A, vdB 142 | Elephant's Trunk Nebula, Elephant Trunk Nebula | 170
IC 1795 | | Fish Head Nebula, Fishhead Nebula
IC 1805 | Sh2-190, LBN 654 | Heart Nebula, Running Dog Nebula | 150
IC 1848 | Sh2-199, LBN 667 | Soul Nebula, Embryo Nebula, Baby Nebula | 120
IC 2118 | | Witch Head Nebula, Witch's Head Nebula
IC 2177 | Sh2-292 | Seagull Nebula | 150
IC 2574 | | Coddington's Nebula, Coddington's Galaxy
IC 2944 | | Running Chicken Nebula, Lambda Centauri Nebula | 75
IC 4592 | | Blue Horsehead Nebula | 150
IC 4593 | | White-Eyed Pea Nebula
IC 4604 | | Rho Ophiuchi Nebula, Rho Ophiuchi Cloud Complex, Rho Ophiuchi | 270
IC 4628 | Gum 56 | Prawn Nebula
IC 5070 | | Pelican Nebula
IC 5146 | Sh2-125 | Cocoon Nebula
Sh2-101 | | Tulip Nebula | 299.99 35.29 16
Sh2-106 | | Celestial Snow Angel | 306.87 37.40 3
Sh2-114 | | Flying Dragon Nebula | 320.29 38.71 9
Sh2-119 | | Clamshell Nebula | 319.61 43.94 160
Sh2-129 | | Flying Bat Nebula | 317.94 59.96 140
Sh2-132 | LBN 470 | | 334.82 56.10 40
Sh2-136 | vdB 141 | | 319.13 68.25 5
Sh2-155 | C 9 | Cave Nebula | 344.20 62.62 50
Sh2-157 | | Lobster Claw Nebula | 349.01 60.04 90
Sh2-170 | | Little Rosette Nebula | 0.42 64.62 20
Sh2-173 | | Phantom of the Opera Nebula | 5.46 61.74 30
Sh2-188 | LBN 633, Simeis 22 | Shrimp Nebula | 22.59 58.44 10
Sh2-240 | Simeis 147 | Spaghetti Nebula | 85.25 28.11 180
Sh2-261 | LBN 863 | Lower's Nebula | 92.24 15.80 45
Sh2-264 | | Angelfish Nebula, Angel Fish Nebula, Lambda Orionis Ring | 83.80 9.96 390
Sh2-276 | | Barnard's Loop | 88.60 -1.00 600
Sh2-308 | | Dolphin Nebula, Dolphin Head Nebula, Gourd Nebula | 103.54 -23.94 35
C 14 | | Double Cluster | 34.75 57.13 60
C 99 | | Coalsack Nebula | 192.81 -62.60 400
C 41 | Mel 25 | Hyades | 66.75 15.87 330
B 33 | | Horsehead Nebula | 85.22 -2.47 6
B 72 | | Snake Nebula | 260.91 -23.59 27
B 150 | | Seahorse Nebula
Cr 399 | | Coathanger, Coathanger Cluster, Brocchi's Cluster, Al Sufi's Cluster | 291.35 20.18 70
LDN 1235 | | Shark Nebula, Dark Shark Nebula | 333.73 73.36 25
LDN 1251 | | Rotten Fish Nebula | 338.46 75.22 60
LDN 1622 | | Boogeyman Nebula | 88.78 2.04 60
vdB 152 | | Wolf's Cave Nebula | 333.35 70.25 14
Simeis 57 | | Propeller Nebula | 304.10 43.67 23
PK 164+31.1 | PN G164.8+31.1 | Headphone Nebula, Jones-Emberson 1 | 119.47 53.42 6
Abell 21 | Sh2-274 | Medusa Nebula | 112.26 13.25 12
Abell 31 | Sh2-290 | | 133.56 8.90 17
HCG 57 | Arp 320 | Copeland's Septet | 174.46 21.98 4
HCG 92 | Arp 319 | Stephan's Quintet
UGC 10214 | Arp 188 | Tadpole Galaxy | 241.52 55.43 2
"""

# Names that handbooks give to several objects: a position decides, or the name stays as it is written.
_SEVERAL = """
Lobster Nebula, Lobster | NGC 6357, M 17
Butterfly Nebula | NGC 6302, IC 1318, NGC 2346
Butterfly | NGC 6302, IC 1318, NGC 2346, M 6, NGC 4567
Cocoon | IC 5146, NGC 4490
Owl | M 97, NGC 457
Cat's Eye | NGC 6543, M 94
Pinwheel Galaxy, Pinwheel | M 101, M 33, M 83, M 99
Spindle Galaxy, Spindle | NGC 3115, NGC 5866
Little Gem Nebula, Little Gem | NGC 6818, NGC 6445
Medusa | Abell 21, NGC 4194
Lion Nebula | Sh2-132, NGC 2392
Ghost Nebula | Sh2-136, IC 63
Hercules Cluster | M 13, Abell 2151
Dragon Nebula | NGC 6188, Sh2-114
Bear Claw Nebula, Bear Claw | NGC 2537, NGC 6334
"""

# Where those of the several are that the catalogue may not be there to place; degrees (J2000), minutes.
_PLACES = """
NGC 6357 261.18 -34.20 90
M 17 275.20 -16.17 60
NGC 6302 258.44 -37.10 1
IC 1318 305.56 40.26 240
NGC 2346 107.35 -0.81 1
M 6 265.07 -32.25 20
NGC 4567 189.14 11.26 3
IC 5146 328.40 47.27 12
NGC 4490 187.65 41.64 7
M 97 168.70 55.02 3
NGC 457 19.89 58.28 13
NGC 6543 269.64 66.63 6
M 94 192.72 41.12 14
M 101 210.80 54.35 29
M 33 23.46 30.66 62
M 83 204.25 -29.87 13
M 99 184.71 14.42 5
NGC 3115 151.31 -7.72 7
NGC 5866 226.62 55.76 6
NGC 6818 295.99 -14.15 1
NGC 6445 267.31 -20.01 1
NGC 4194 183.54 54.53 2
NGC 2392 112.29 20.91 1
IC 63 14.87 60.91 10
M 13 250.42 36.46 20
Abell 2151 241.31 17.75 60
NGC 6188 250.02 -48.66 60
NGC 6334 260.21 -36.10 60
NGC 2537 123.31 45.99 2
"""

_KINDS = ("nebula", "galaxy", "galaxies", "cluster")
_ALSO_WRITTEN = {"nebula": ("neb", "nebulae"), "galaxy": ("gal",)}
# What is left of these without the kind of object is a constellation, a planet or any word.
_WORDS_NOT_ALONE = """
baby carina double duck embryo fly greatorion hidden omega orion phantom rim saturn sculptor skull snake
spider tadpole
"""
_NOT_ALONE = frozenset(_WORDS_NOT_ALONE.split())


@dataclass(frozen=True, slots=True)
class Place:
    """Where an object of the table is (ICRS degrees) and how large it is (minutes of arc), where given."""

    ra_deg: float | None = None
    dec_deg: float | None = None
    size_arcmin: float | None = None


@dataclass(frozen=True, slots=True)
class Handbook:
    """The tables, looked up by designation and by name (`common_key`)."""

    main: dict[str, Designation]
    by_name: dict[str, Designation]
    several: dict[str, tuple[Designation, ...]]
    names: dict[str, tuple[str, ...]]
    places: dict[str, Place]

    def one_object(self, designation: Designation) -> Designation:
        """Return the number by which the object of a designation is known; itself where none is known."""
        return self.main.get(str(designation), designation)

    def named(self, common_name: str) -> tuple[Designation, ...]:
        """Return the number of the object of a popular name; of several objects all of them."""
        key = common_key(common_name)
        if key in self.several:
            return self.several[key]
        return (self.by_name[key],) if key in self.by_name else ()


@cache
def handbook() -> Handbook:
    """Return the tables, read once a process."""
    book = Handbook({}, {}, {}, {}, {})
    for row in _SEVERAL.strip().splitlines():
        names, objects = row.split("|")
        of = tuple(_designation(one) for one in objects.split(","))
        book.several.update({common_key(name): of for name in names.split(",")})
    for row in _OBJECTS.strip().splitlines():
        _read_object(book, [part.strip() for part in row.split("|")])
    for row in _PLACES.strip().splitlines():
        name, *numbers = row.rsplit(" ", 3)
        book.places[name] = Place(*map(float, numbers))
    return book


def _read_object(book: Handbook, parts: list[str]) -> None:
    main = _designation(parts[0])
    names = [name.strip() for name in parts[2].split(",") if name.strip()]
    for other in filter(None, (other.strip() for other in parts[1].split(","))):
        _enter(book.main, str(_designation(other)), main)
    for key in (key for name in names for key in _spellings(name) if key not in book.several):
        _enter(book.by_name, key, main)
    book.names[str(main)] = tuple(names)
    if len(parts) > 3:
        numbers = [float(number) for number in parts[3].split()]
        book.places[str(main)] = Place(*numbers) if len(numbers) == 3 else Place(size_arcmin=numbers[0])


def _enter(table: dict[str, Designation], key: str, main: Designation) -> None:
    """Put a row into a table. Raises ValueError where another object has the same number or name."""
    if table.setdefault(key, main) != main:
        raise ValueError(f"{key!r} is both {table[key]} and {main}")


def _designation(written: str) -> Designation:
    designation = read_designation(written.strip())
    if designation is None:
        raise ValueError(f"{written!r} is no designation")
    return designation


def _spellings(name: str) -> list[str]:
    """Return the keys of a name: as it is, and where it ends in a kind of object, without it too."""
    before, _, kind = name.rpartition(" ")
    kind = kind.casefold()
    keys = [common_key(name)]
    if kind in _KINDS:
        keys += [common_key(f"{before} {other}") for other in _ALSO_WRITTEN.get(kind, ())]
        bare = common_key(before)
        keys += [bare] if bare not in _NOT_ALONE else []
    return keys
