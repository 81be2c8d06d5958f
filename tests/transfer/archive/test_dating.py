"""A file's header is looked at in the way of nobody, however deep the file lies; also as on Windows."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path, PureWindowsPath

import pytest

from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame
from tests.support.nights import fits
from tests.support.recorded_windows import ROOT, Rule, System
from transfer.archive.dating import Dating, HeaderUnread
from transfer.engine.medium import Medium, this_computer
from transfer.engine.medium.windows import openings
from transfer.engine.medium.windows.medium import WindowsMedium

DEEP = ("a folder of the night",) * 20


@pytest.fixture
def light(tmp_path: Path) -> Path:
    """Return a light that lies deeper than a plain path of Windows reaches."""
    path = tmp_path.joinpath(*DEEP, "light.fits")
    path.parent.mkdir(parents=True)
    path.write_bytes(fits(begun="2026-03-01T23:00:00"))
    return path


def night(medium: Medium, path: Path) -> date:
    dating = Dating(medium, -1.9)
    return dating.night(dating.look(path), 0)[0]


def test_a_frame_however_deep_is_dated_by_its_header(light: Path) -> None:
    assert night(this_computer(), light) == date(2026, 3, 1)


def test_a_night_that_a_bag_lists_stays_unless_the_header_s_site_is_elsewhere() -> None:
    listed, begun = date(2026, 3, 13), datetime(2026, 3, 14, 10, tzinfo=UTC)
    hosted = Frame(begun_utc=begun, site_latitude_deg=-31.3, site_longitude_deg=149.1)
    dating = Dating(this_computer(), -1.9, latitude_deg=51.2)
    night, (finding,) = dating.night_again(hosted, listed)
    assert (night, finding.kind) == (date(2026, 3, 14), FindingKind.SITE_ELSEWHERE)
    for frame in (None, replace(hosted, begun_utc=None), replace(hosted, site_latitude_deg=None)):
        assert dating.night_again(frame, listed) == (listed, ())
    guessing = Dating(this_computer(), 0.0, Finding(FindingKind.NO_LONGITUDE))
    assert guessing.night_again(hosted, listed) == (listed, ())


def test_windows_is_asked_by_the_long_path_and_its_programs_may_rename_and_write_meanwhile(
    light: Path, tmp_path: Path
) -> None:
    system = System(tmp_path)
    path = PureWindowsPath("E:/nights", *DEEP, "light.fits")
    assert night(WindowsMedium(system), path) == date(2026, 3, 1)  # type: ignore[arg-type]
    asked = "\\".join([ROOT, *DEEP, "light.fits"])
    assert [call for call in system.called if call[0] == "open"] == [("open", asked, openings.SOURCE)]


def test_a_frame_that_cannot_be_opened_is_not_dated_by_its_time(light: Path, tmp_path: Path) -> None:
    system = System(tmp_path)
    system.rules = [Rule("open", 5)]  # ERROR_ACCESS_DENIED
    path = PureWindowsPath("E:/nights", *DEEP, "light.fits")
    with pytest.raises(HeaderUnread):
        night(WindowsMedium(system), path)  # type: ignore[arg-type]
