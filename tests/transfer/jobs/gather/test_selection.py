from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from manifests.frames.frame import Frame, FrameType
from manifests.frames.frame_sky import FrameSky
from manifests.index.frame_query import FrameRow
from manifests.index.names import ArchiveNames
from transfer.archive.typed_names import ArchiveNaming, NameTables
from transfer.jobs.gather.request import GatherRequest
from transfer.jobs.gather.selection import WantedLights

NAMING = ArchiveNaming(ArchiveNames((), (), ()), NameTables())
MARCH_14 = date(2026, 3, 14)
LIGHT = FrameRow(
    bag="M 33",
    path="data/a.fits",
    night=MARCH_14,
    target="M 33",
    filter="Ha",
    size_bytes=1,
    sha256="",
    frame=Frame(frame_type=FrameType.LIGHT),
    sky=FrameSky(),
    field_deg=None,
    findings=(),
    absent=False,
)
LIGHTS = [
    LIGHT,
    replace(LIGHT, filter="OIII"),
    replace(LIGHT, night=date(2026, 3, 20)),
    replace(LIGHT, filter=None),
]


def wanted(lights: list[FrameRow] = LIGHTS, **asked: Any) -> WantedLights:
    return WantedLights(GatherRequest("M 33", Path("run"), **asked), "M 33", lights, NAMING)


def whys(of: WantedLights) -> list[str]:
    return [row.why for row in of.unmet()]


def test_without_a_choice_all_are_wanted() -> None:
    assert wanted().lights() == LIGHTS
    assert wanted().unmet() == []


def test_of_several_filters_and_nights_any_will_do() -> None:
    asked = wanted(filters=("o3", "H-alpha"), nights=frozenset({MARCH_14}), since=date(2026, 3, 18))
    assert asked.lights() == LIGHTS[:3]
    assert asked.unmet() == []


def test_lights_whose_filter_nobody_knows_are_asked_for_by_the_name_they_have() -> None:
    assert wanted(filters=("filter not given",)).lights() == [LIGHTS[3]]


def test_what_is_asked_for_in_vain_says_what_there_is() -> None:
    assert whys(wanted(filters=("SII", "Ha"))) == [
        "no lights of M 33 in SII; there are Ha, OIII and filter not given"
    ]
    assert whys(wanted(nights=frozenset({date(2026, 3, 15)}))) == [
        "no lights of M 33 of 2026-03-15; there are some of 2026-03-14 and 2026-03-20"
    ]
    assert whys(wanted(since=date(2026, 3, 21))) == [
        "no lights of M 33 since 2026-03-21; the last are of 2026-03-20"
    ]


def test_filters_and_nights_that_there_are_but_not_together_are_in_vain_too() -> None:
    asked = wanted(filters=("OIII",), nights=frozenset({date(2026, 3, 20)}))
    assert asked.lights() == []
    (why,) = whys(asked)
    assert why.startswith("no lights of M 33 in these filters of these nights; there are Ha, OIII and ")
    assert why.endswith(" of 2026-03-14 and 2026-03-20")


def test_of_many_nights_the_last_are_named() -> None:
    many = [replace(LIGHT, night=date(2026, 1, day)) for day in range(1, 21)]
    (why,) = whys(wanted(many, nights=frozenset({MARCH_14})))
    assert "12 others, 2026-01-13, " in why
    assert why.endswith(" and 2026-01-20")
