from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest

from tests.support.small_archive import NIGHT, SmallArchive
from transfer.jobs.gather.outcome import GatherOutcome
from transfer.jobs.gather.report import report
from transfer.jobs.gather.request import Means

Gather = Callable[..., GatherOutcome]


@pytest.mark.parametrize("width", [60, 80, 120])
def test_no_line_is_wider_than_the_screen(archive: SmallArchive, gather: Gather, width: int) -> None:
    archive.whole_set()
    for filter_name in ("Ha", "OIII", "a filter with a very long name indeed"):
        archive.light(f"{filter_name}.fits", filter_name=filter_name, target="M 33 panel 12")
    archive.light("gone.fits", night=NIGHT + timedelta(days=9)).unlink()
    lines = list(report(gather(), width))
    assert max(map(len, lines)) <= max(width, 78)
    assert all(len(line) <= width for line in lines if not line.startswith("  M 33 panel"))


def test_lights_are_listed_by_target_and_filter_with_hours_and_nights(
    archive: SmallArchive, gather: Gather
) -> None:
    archive.light("a.fits")
    archive.light("b.fits", night=NIGHT + timedelta(days=1))
    archive.light("c.fits", filter_name="L", EXPTIME=60.0)
    lines = list(report(gather(), 80))
    table = [" ".join(line.split()) for line in lines[2:4]]
    assert table == ["M 33 Ha 2 0.2 h 2026-03-14 to 2026-03-15", "M 33 L 1 0.0 h 2026-03-14"]


def test_links_come_with_a_warning_and_copies_without(archive: SmallArchive, gather: Gather) -> None:
    archive.light("a.fits")
    outcome = gather(means=Means.COPY)
    assert "changes the archive" not in " ".join(report(outcome, 80))
    (archive.root.parent / "run").rename(archive.root.parent / "copies")
    for means in (Means.HARD_LINK, Means.HARD_LINK, Means.SYMBOLIC_LINK):
        assert "changes the archive" in " ".join(report(gather(means=means), 80))


def test_of_many_findings_the_first_are_shown_and_the_rest_counted(
    archive: SmallArchive, gather: Gather
) -> None:
    archive.light("here.fits")
    for number in range(4):
        archive.light(f"gone_{number}.fits").unlink()
    lines = list(report(gather(), 80, findings_at_most=3))
    assert "What could not be laid out (4)" in lines
    assert sum("gone_" in line for line in lines) == 3
    assert "  and 1 more, which the table in the folder lists" in lines
