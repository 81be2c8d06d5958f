"""The sky of one frame, through its JSON form and back."""

from __future__ import annotations

import math

import pytest

from manifests.frames.frame_sky import FrameSky


def test_the_facts_come_back_as_they_were() -> None:
    sky = FrameSky(ra_deg=339.267, dec_deg=34.416, altitude_deg=61.5, sun_altitude_deg=-33.0)
    assert FrameSky.from_facts(sky.as_facts()) == sky


def test_what_is_not_known_is_left_out() -> None:
    assert FrameSky(ra_deg=1.0, airmass=math.nan).as_facts() == {"ra_deg": 1.0}


def test_a_fact_of_a_newer_version_is_left_out() -> None:
    assert FrameSky.from_facts({"dec_deg": 2, "seeing_arcsec": 1.9}) == FrameSky(dec_deg=2.0)


def test_a_fact_that_is_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="high"):
        FrameSky.from_facts({"altitude_deg": "high"})
