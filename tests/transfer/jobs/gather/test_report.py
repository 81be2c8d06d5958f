from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

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
    assert "the archive's own file" not in " ".join(report(outcome, 80))
    (archive.root.parent / "run").rename(archive.root.parent / "copies")
    for means in (Means.HARD_LINK, Means.HARD_LINK, Means.SYMBOLIC_LINK):
        linked = gather(means=means)
        assert "the archive's own file" in " ".join(report(linked, 80))
        assert "changes the archive" in " ".join(report(replace(linked, read_only=False), 80))


def test_many_findings_of_a_kind_are_one_line_on_the_screen_and_each_in_the_table(
    archive: SmallArchive, gather: Gather, folder: Path
) -> None:
    archive.light("here.fits")
    for number in range(7):
        archive.light(f"gone_{number}.fits").unlink()
    outcome = gather()
    lines = list(report(outcome, 80, each_finding=False))
    assert "What could not be laid out (7)" in lines
    assert sum("gone_" in line for line in lines) == 1
    assert "  --all-findings lists each by itself, and so does the table in the folder." in lines
    assert (folder / "M 33 matches.txt").read_text("utf-8").count("gone_") == 7


Gather = Callable[..., GatherOutcome]


@pytest.fixture
def laid_out(archive: SmallArchive, folder: Path, gather: Gather) -> GatherOutcome:
    archive.whole_set()
    archive.light("light.fits")
    archive.light("long.fits", EXPTIME=600.0)
    return gather()


def rows(folder: Path) -> list[dict[str, str]]:
    with (folder / "M 33 matches.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_answer_is_a_line_with_why_and_where(laid_out: GatherOutcome, folder: Path) -> None:
    dark, missing, *others = rows(folder)
    assert dark == {
        "type": "dark",
        "for": "light",
        "described": "300 s, gain 100, −10 °C, of 2026-03-14",
        "frames_needing": "1",
        "frames_matched": "2",
        "missing": "no",
        "why": "2 darks, 300 s, gain 100, −10 °C, of 2026-03-14 (the same night); not checked: readout mode",
        "folders_needing": "lights/M 33/Ha/2026-03-14 300s",
        "folders_matched": "darks/300s gain 100 -10C",
    }
    assert (missing["missing"], missing["why"]) == (
        "yes",
        "no dark for 600 s, gain 100, −10 °C; nearest 300 s",
    )
    assert [row["type"] for row in others] == ["flat", "bias", "dark flat", "bias"]


def test_every_folder_named_in_a_table_is_there(laid_out: GatherOutcome, folder: Path) -> None:
    for row in rows(folder):
        for column in ("folders_needing", "folders_matched"):
            assert all((folder / name).is_dir() for name in row[column].split("; ") if name)


def test_the_text_has_what_goes_together_and_what_is_missing_in_lines_that_fit(
    laid_out: GatherOutcome, folder: Path
) -> None:
    text = (folder / "M 33 matches.txt").read_text(encoding="utf-8")
    assert text.startswith("M 33: 2 lights, 0.2 h, and 8 calibration frames\n")
    together, missing = text.split("What is missing")
    assert "in darks/300s gain 100 -10C" in together
    assert "no dark for 600 s, gain 100, −10 °C; nearest 300 s" in missing
    assert max(map(len, text.splitlines())) <= 78


def test_a_table_of_ones_own_under_that_name_is_kept(
    archive: SmallArchive, folder: Path, gather: Gather
) -> None:
    archive.light("light.fits")
    folder.mkdir()
    (folder / "M 33 matches.txt").write_text("my notes", encoding="utf-8")
    (folder / "M 33 matches.csv").mkdir()
    gather()
    assert (folder / "M 33 matches (2).txt").read_text(encoding="utf-8") == "my notes"
    assert (folder / "M 33 matches (2).csv").is_dir()
    assert rows(folder)


def test_a_name_that_acts_on_a_terminal_is_written_out(
    archive: SmallArchive, folder: Path, gather: Gather
) -> None:
    archive.light("light.fits", TELESCOP="Long Tom")
    archive.relist(
        archive.root / "M 33/data/2026-03-14/Ha/light.fits",
        filter="\x1b[31mred",
    )
    gather()
    text = (folder / "M 33 matches.txt").read_text(encoding="utf-8")
    assert "\x1b" not in text
    assert "\\x1b[31mred" in text
