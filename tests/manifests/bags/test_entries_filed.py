"""What filing adds to an entry, through its JSON line and back."""

from __future__ import annotations

import json
from datetime import date

from manifests.bags.digests import Digests
from manifests.bags.entries import Entry, entry_line, read_entries
from manifests.frames.frame_sky import FrameSky

UNFILED = Entry("data/a.fits", 2880, Digests("0" * 64, "0" * 32), 1, "frames", "a.fits", date(2026, 3, 14))


def test_a_filed_entry_keeps_its_target_its_filter_its_sky_and_its_drive() -> None:
    sky = FrameSky(ra_deg=339.267, dec_deg=34.416, moon_illumination=0.21)
    filed = Entry(
        "data/2026-03-14/Ha/a.fits",
        2880,
        UNFILED.digests,
        1,
        "frames",
        "a.fits",
        date(2026, 3, 14),
        target="NGC 7331",
        filter="Ha",
        sky=sky,
        drive="6f1b0c52-8a3e-4d57-9c1f-2e64b7d0a915",
    )
    assert list(read_entries([entry_line(filed)])) == [filed]


def test_an_entry_that_was_not_filed_says_nothing_of_it() -> None:
    line = json.loads(entry_line(UNFILED))
    assert not {"target", "filter", "sky", "drive"} & line.keys()
    assert list(read_entries([entry_line(UNFILED)])) == [UNFILED]
