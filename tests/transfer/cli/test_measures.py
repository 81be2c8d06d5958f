"""Measures on the screen and in `--json`: shown, chosen and sorted by, and made."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.index.measures import keep_measures
from manifests.index.opening import Index, open_index
from manifests.index.schema import INDEX_NAME
from tests.support.desks import Desk
from tests.support.small_archive import SmallArchive, frames_in
from tests.support.star_fields import StarField, counts, fits_of
from transfer.cli.filing import _measure
from transfer.cli.main import main
from transfer.jobs.index import build_index
from transfer.stop import Stop


@pytest.fixture
def archive(tmp_path: Path) -> SmallArchive:
    """Return an archive of four lights, of which three are measured."""
    archive = SmallArchive(tmp_path / "archive")
    for number in range(4):
        archive.light(f"light {number}.fits", XPIXSZ=3.76)
    build_index(archive.root)
    digests = [entry.digests.sha256 for entry in archive.entries[archive.root / "M 33"]]
    measured = {
        digest: FrameMeasures(1000.25, 32.5, 400 - 100 * number, 2.5 + number, 1.1, 30.0, number)
        for number, digest in enumerate(digests[:3])
    }
    with open_index(archive.root / INDEX_NAME, write=True) as index:
        keep_measures(index, measured)
    return archive


def run(archive: SmallArchive, *words: str, columns: int = 200) -> Result:
    environ = {"COLUMNS": str(columns)}
    command, *rest = words
    return CliRunner().invoke(main, [command, "--archive", str(archive.root), *rest], env=environ)


def names(result: Result) -> list[str]:
    assert result.exit_code == 0, result.output
    return [Path(frame["path"]).stem[-1] for frame in json.loads(result.stdout)["frames"]]


def test_json_has_the_measures_of_a_frame_and_null_where_it_has_none(archive: SmallArchive) -> None:
    first, *_, last = json.loads(run(archive, "frames", "--json").stdout)["frames"]
    told = {
        "background_adu": 1000.25,
        "noise_adu": 32.5,
        "stars": 400,
        "size_px": 2.5,
        "size_arcsec": pytest.approx(2.5 * 206.264806 * 3.76 / 530),
        "elongation": 1.1,
        "elongation_deg": 30.0,
        "saturated_px": 0,
    }
    assert {name: first[name] for name in told} == told
    assert {last[name] for name in told} == {None}


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        (("--stars", "300.."), "01"),
        (("--size", "..3.5"), "01"),
        (("--size-arcsec", "5..7"), "12"),
        (("--size", "3..", "--stars", "..250"), "2"),
        (("--elongation", "1.2.."), ""),
        (("--background", "1000.."), "012"),
        (("--noise", "..32"), ""),
        (("--order", "stars"), "3210"),
        (("--order", "size", "--descending", "--limit", "2"), "21"),
    ],
)
def test_frames_are_chosen_and_sorted_by_their_measures(
    archive: SmallArchive, asked: tuple[str, ...], found: str
) -> None:
    assert names(run(archive, "frames", "--json", *asked)) == list(found)


def test_the_table_has_measures_where_there_are_some(archive: SmallArchive) -> None:
    heading, first, *_, last, _ = run(archive, "frames").output.splitlines()
    assert heading.split()[7:11] == ["stars", "FWHM", "elong.", "sky"]
    assert first.split()[9:13] == ["400", "2.50", "1.10", "1,000"]
    assert last.split()[9:13] == ["-", "-", "-", "-"]
    narrow = run(archive, "frames", columns=80).output.splitlines()
    assert "FWHM" in narrow[0]
    assert max(map(len, narrow)) <= 80


def test_a_table_of_frames_without_measures_has_no_columns_for_them(archive: SmallArchive) -> None:
    (archive.root / INDEX_NAME).unlink()
    assert "FWHM" not in run(archive, "frames").output


def test_gather_lays_out_what_fits_and_names_what_was_not_measured(
    archive: SmallArchive, tmp_path: Path
) -> None:
    result = run(archive, "gather", "M 33", "--into", str(tmp_path / "run"), "--stars", "300..", "--json")
    assert [Path(path).stem for path in frames_in(tmp_path / "run")] == ["light 0", "light 1"]
    findings = json.loads(result.stdout)["findings"]
    (unmeasured,) = [each for each in findings if each["finding"] == "not measured"]
    assert unmeasured["path"].endswith("light 3.fits")
    assert "nightferry index --measures" in unmeasured["detail"]


def test_gather_that_finds_nothing_with_such_measures_says_so(archive: SmallArchive, tmp_path: Path) -> None:
    result = run(archive, "gather", "M 33", "--into", str(tmp_path / "run"), "--stars", "5000..")
    assert result.exit_code == 1
    assert "with these measures" in result.output
    assert not (tmp_path / "run").exists()


def test_index_measures_says_what_it_did(archive: SmallArchive) -> None:
    told: dict[str, Any] = json.loads(run(archive, "index", "--measures", "--json").stdout)
    assert told["measures"] == {"measured": 1, "not_measurable": 1, "left": 0}
    assert (told["exit"], told["message"]) == (0, "0 frames measured, 1 could not be.")
    (frame,) = json.loads(run(archive, "frames", "--finding", "not measured", "--json").stdout)["frames"]
    assert frame["findings"][-1]["detail"] == "it has only 8 × 8 pixels"
    assert run(archive, "index", "--measures").output == "All frames are measured.\n"


def test_frames_that_could_not_be_measured_are_no_findings_of_their_night(archive: SmallArchive) -> None:
    before = json.loads(run(archive, "nights", "--json").stdout)["nights"]
    assert {one["not_measured"] for one in before} == {0}
    assert "not measured" not in run(archive, "nights").output
    run(archive, "index", "--measures")
    after = json.loads(run(archive, "nights", "--json").stdout)["nights"]
    assert sum(one["not_measured"] for one in after) == 1
    assert sum(one["finding_count"] for one in after) == sum(one["finding_count"] for one in before) + 1
    (row,) = [one for one in after if one["not_measured"]]
    heading, *lines = run(archive, "nights").output.splitlines()
    (line,) = [one for one in lines if one.startswith(row["night"])]
    cells = dict(zip(re.split(" {2,}", heading), re.split(" {2,}", line), strict=False))
    found = row["finding_count"] - 1
    assert (cells["findings"], cells["not measured"]) == (str(found or "-"), "1")
    (failed,) = [one for one in run(archive, "night", row["night"]).output.splitlines() if "measured" in one]
    assert failed == "The stars of 1 frame could not be measured."


def test_without_the_library_index_measures_says_what_to_install(
    archive: SmallArchive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("manifests.frames.measures.measuring.find_spec", lambda name: None)
    result = run(archive, "index", "--measures")
    assert result.exit_code == 2
    assert "pip install 'nightferry[page]'" in result.output


def test_measures_and_logs_are_two_runs(archive: SmallArchive) -> None:
    assert run(archive, "index", "--measures", "--logs").exit_code == 2


# Filled by `file`


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """Return a computer with a folder of two lights that have stars."""
    desk = Desk(tmp_path / "desk")
    (tmp_path / "old").mkdir()
    for number in (1, 2):
        image = counts(StarField(height=100, width=120, stars=12, flux_adu=(2e4, 1e5), seed=number).image())
        cards = {"IMAGETYP": "Light", "OBJECT": "M 33", "EXPTIME": 300.0, "DATE-OBS": "2026-03-14T22:00:00"}
        (tmp_path / "old" / f"light {number}.fits").write_bytes(fits_of(image, **cards))
    return desk


def stars_of(desk: Desk) -> list[int | None]:
    return [frame["stars"] for frame in desk.command("frames", "--json").document["frames"]]


def test_file_tells_what_it_filed_and_then_measures_it(desk: Desk, tmp_path: Path) -> None:
    ran = desk.command("file", tmp_path / "old")
    assert ran.exit == 0
    assert ran.out.startswith("2 files (")
    assert ran.out.endswith("2 frames measured.\n")
    assert stars_of(desk) == [12, 12]
    assert "measured" not in desk.command("file", tmp_path / "old").out


def test_file_with_json_prints_one_document_and_measures_all_the_same(desk: Desk, tmp_path: Path) -> None:
    assert desk.command("file", tmp_path / "old", "--json").document["filed"] == 2
    assert stars_of(desk) == [12, 12]


def test_file_measures_nothing_where_that_is_not_wanted(desk: Desk, tmp_path: Path) -> None:
    assert "measured" not in desk.command("file", tmp_path / "old", "--no-measures").out
    assert stars_of(desk) == [None, None]


def test_an_index_that_cannot_be_used_takes_nothing_from_what_was_filed(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    desk.command("file", tmp_path / "old", "--no-measures")
    with open_index(desk.archive / INDEX_NAME, write=True) as index, index.writing():
        monkeypatch.setattr("transfer.jobs.measures.run.open_index", impatient)
        _measure(desk.archive, Stop(), shown=True)
    assert "Filed, but not measured: " in capsys.readouterr().err


def impatient(path: Path, **how: Any) -> Index:
    index = open_index(path, patience_s=0.1, **how)
    index.connection.execute("PRAGMA busy_timeout = 100")
    return index
