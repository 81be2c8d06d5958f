from __future__ import annotations

from dataclasses import fields

import pytest

from manifests.frames.frame import Frame
from manifests.frames.headers import frame_from_headers
from manifests.frames.keywords import KEYWORDS


def test_every_fact_of_a_frame_has_keywords_or_is_made_from_others():
    made = {"frame_type", "stage", "width_px", "height_px"}
    assert {field.name for field in fields(Frame)} - made <= set(KEYWORDS.keywords)


def test_what_is_wanted_is_every_keyword_of_every_fact():
    assert {"DATE-OBS", "TIMESYS", "CRVAL1", "FILTER2", "AMBTEMP"} <= KEYWORDS.wanted
    assert len(KEYWORDS.wanted) == len({word for words in KEYWORDS.keywords.values() for word in words})


def test_a_user_s_keyword_comes_before_the_table_s(primary):
    extended = KEYWORDS.extended({"filter_name": ["Wheel Slot", "filt"], "ambient_deg_c": ["MY-TEMP"]})
    header = primary(("FILTER", "L"), b"HIERARCH Wheel Slot = 'Ha'", ("MY-TEMP", 4.5), ("AMBTEMP", 9.0))
    frame = frame_from_headers([header], extended)
    assert (frame.filter_name, frame.ambient_deg_c) == ("Ha", 4.5)
    assert extended.keywords["filter_name"][:4] == ("WHEEL SLOT", "FILT", "FILTER", "FILTNAM")


def test_extending_leaves_the_table_as_it_was(primary):
    before = KEYWORDS.keywords["filter_name"]
    KEYWORDS.extended({"filter_name": ["X"]})
    assert KEYWORDS.keywords["filter_name"] == before
    assert "X" not in KEYWORDS.wanted


def test_an_addition_to_an_unknown_fact_is_refused():
    with pytest.raises(KeyError):
        KEYWORDS.extended({"colour": ["COLOUR"]})
