"""Facts that every list can show, and what becomes of the others."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from manifests.findings import FindingKind
from manifests.frames.frame import Frame
from manifests.frames.usable import LONGEST_TEXT, shortened, usable_frame, usable_text


def test_a_frame_of_ordinary_facts_stays_as_it_is() -> None:
    frame = Frame(
        object_name="Σ 2398", begun_utc=datetime(2026, 3, 14, tzinfo=UTC), width_px=6248, gain=1e300
    )
    assert usable_frame(frame) == (frame, ())


@pytest.mark.parametrize(
    ("facts", "detail"),
    [
        ({"object_name": "x" * (LONGEST_TEXT + 1)}, "object_name has 1,001 characters"),
        ({"camera": "\udcff"}, "camera is not Unicode"),
        ({"width_px": 2**53 + 1}, "width_px is too large a number"),
        ({"bin_x": -(2**60)}, "bin_x is too large a number"),
        (
            {"begun_utc": datetime(9999, 12, 31, 23, tzinfo=timezone(timedelta(hours=-5)))},
            "begun_utc is 9999-12-31T23:00:00-05:00, at the calendar's edge",
        ),
        (
            {"begun_utc": datetime(1, 1, 1, tzinfo=timezone(timedelta(hours=5)))},
            "begun_utc is 0001-01-01T00:00:00+05:00, at the calendar's edge",
        ),
    ],
)
def test_a_fact_that_no_list_can_show_is_left_out_and_told(facts: dict[str, object], detail: str) -> None:
    frame, findings = usable_frame(Frame(exposure_s=60.0, **facts))  # type: ignore[arg-type]
    assert frame == Frame(exposure_s=60.0)
    assert [(one.kind, one.detail) for one in findings] == [(FindingKind.VALUE_LEFT_OUT, detail)]


def test_what_is_just_within_the_bounds_stays() -> None:
    facts = Frame(
        object_name="x" * LONGEST_TEXT,
        height_px=2**53,
        begun_utc=datetime(9999, 12, 28, 23, 59, tzinfo=UTC),
    )
    assert usable_frame(facts) == (facts, ())


def test_a_name_that_no_list_can_show_is_none() -> None:
    assert usable_text("target", "M 51") == ("M 51", ())
    assert usable_text("target", None) == (None, ())
    name, (finding,) = usable_text("target", "\ud800")
    assert (name, finding.detail) == (None, "target is not Unicode")


def test_a_sentence_is_cut_and_its_half_characters_spelt_out() -> None:
    assert shortened("short") == "short"
    assert shortened("ä \ud800") == "ä \\ud800"
    assert len(shortened("x" * 5000)) == LONGEST_TEXT
