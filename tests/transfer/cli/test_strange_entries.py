"""One entry with a value that no list can show spoils no list: it is left out, and that is a finding."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from astropy.io.votable import parse_single_table
from astropy.table import Table
from click.testing import CliRunner, Result

from manifests.frames.frame import Frame
from tests.support.desks import Desk
from tests.support.nights import Computer, prepared
from tests.support.small_archive import SmallArchive
from transfer.cli.main import main

WEST, EAST = timezone(timedelta(hours=-11)), timezone(timedelta(hours=13))
LONG = "x" * 300_000

# What a forged or a strange header makes of an entry, in its frame or beside it.
STRANGE: dict[str, dict[str, Any]] = {
    "begun after the calendar's end": {"begun_utc": datetime.max.replace(tzinfo=WEST)},
    "begun before its beginning": {"begun_utc": datetime.min.replace(tzinfo=EAST)},
    "begun in its last minute": {"begun_utc": datetime(9999, 12, 31, 23, 59, tzinfo=UTC)},
    "begun in its first minute": {"begun_utc": datetime(1, 1, 1, tzinfo=UTC)},
    "half a character in the target": {"object_name": "M 33 \ud800"},
    "half a character in the filter": {"filter_name": "Ha\udcff"},
    "half a character in the camera": {"camera": "\udfffLantern"},
    "endless target": {"object_name": LONG},
    "endless filter": {"filter_name": LONG},
    "endless camera": {"camera": LONG},
    "endless telescope": {"telescope": LONG},
    "NUL in the observer": {"observer": "a\0b"},
    "controls in the program": {"program": "a\x01\x1b[31m\x7f\r\nb\uffff"},
    "endless exposure": {"exposure_s": 1e308},
    "exposure below nothing": {"exposure_s": -1e308},
    "exposure of no time": {"exposure_s": 5e-324},
    "as many pixels as there are numbers": {"width_px": 2**63, "height_px": 10**30},
    "gain of 300 digits": {"gain": 1e300},
    "place nowhere": {"ra_deg": 1e300, "dec_deg": -1e300},
    "equinox far off": {"equinox": 1e300},
    "optics of no size": {"pixel_um": 5e-324, "focal_length_mm": 1e308},
    "rotation beyond turns": {"rotation_deg": 1e308},
}
BESIDE: dict[str, dict[str, Any]] = {
    "night at the calendar's end": {"night": date.max},
    "night at its beginning": {"night": date.min},
    "half a character in the filed target": {"target": "M 33\ud800"},
    "endless filed target": {"target": LONG},
    "half a character in the filed filter": {"filter": "\ud800"},
}


def asked(archive: SmallArchive, *words: str) -> Result:
    result = CliRunner().invoke(main, [*words, "--archive", str(archive.root)], catch_exceptions=False)
    assert result.exit_code in (0, 1), result.output
    assert "does not know" not in result.output
    return result


@pytest.fixture
def archive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SmallArchive:
    monkeypatch.delenv("COLUMNS", raising=False)
    archive = SmallArchive(tmp_path / "archive")
    archive.whole_set(1)
    archive.light("one.fits")
    return archive


def with_strange(archive: SmallArchive, name: str) -> None:
    path = archive.light("strange.fits")
    entry = archive.entries[archive.root / "M 33"][-1]
    assert entry.frame is not None
    if name in STRANGE:
        archive.relist(path, frame=replace(entry.frame, **STRANGE[name]))
    else:
        archive.relist(path, **BESIDE[name])


def paths(rows: Any) -> set[str]:
    return {Path(str(path)).name for path in rows}


def as_json(archive: SmallArchive) -> set[str]:
    found = json.loads(asked(archive, "frames", "--json").stdout)
    return paths(row["path"] for row in found["frames"])


def as_csv(archive: SmallArchive) -> set[str]:
    return paths(row["path"] for row in csv.DictReader(io.StringIO(asked(archive, "frames", "--csv").stdout)))


def as_ecsv(archive: SmallArchive) -> set[str]:
    return paths(Table.read(asked(archive, "frames", "--ecsv").stdout, format="ascii.ecsv")["path"])


def as_votable(archive: SmallArchive) -> set[str]:
    document = io.BytesIO(asked(archive, "frames", "--votable").stdout_bytes)
    return paths(Path(url).name for url in parse_single_table(document).to_table()["path"])


def as_paths(archive: SmallArchive) -> set[str]:
    return paths(asked(archive, "frames", "--paths0").stdout.rstrip("\0").split("\0"))


@pytest.mark.parametrize("read", [as_json, as_csv, as_ecsv, as_votable, as_paths])
@pytest.mark.parametrize("name", [*STRANGE, *BESIDE])
def test_a_frame_with_a_strange_value_is_in_every_list(
    archive: SmallArchive, name: str, read: Callable[[SmallArchive], set[str]]
) -> None:
    with_strange(archive, name)
    assert {"one.fits", "strange.fits"} <= read(archive)


@pytest.mark.parametrize("name", [*STRANGE, "endless filed target", "half a character in the filed target"])
def test_a_drive_that_says_so_is_filed_and_the_archive_goes_on(tmp_path: Path, name: str) -> None:
    computer, desk = Computer(tmp_path / "computer"), Desk(tmp_path / "desk")
    computer.frame("strange.fits", data=b"strange")
    stick = prepared(tmp_path / "stick")
    assert computer.send(stick).exit_code == 0
    forge(stick / "2026-03-14", name)
    first, again = desk.file(stick), desk.file(stick)
    assert (first.filed, first.exit_code) == (1, 0)
    assert (again.filed, again.already_there, again.exit_code) == (0, 1, 0)
    archive = SmallArchive.__new__(SmallArchive)
    archive.root = desk.archive
    for read in (as_json, as_csv, as_ecsv, as_votable, as_paths):
        assert len(read(archive)) == 1
    asked(archive, "targets")
    desk.assert_all_valid()


def forge(bag: Path, name: str) -> None:
    """Change what a night's one entry says, and the digest that pins it."""
    entries, pins = bag / "nightferry/entries.jsonl", bag / "tagmanifest-sha256.txt"
    was = entries.read_bytes()
    line = json.loads(was)
    known = replace(Frame.from_facts(line["frame"]), **STRANGE.get(name, {}))
    line |= {"frame": known.as_facts(), **BESIDE.get(name, {})}
    entries.write_text(json.dumps(line) + "\n")
    digests = (hashlib.sha256(content).hexdigest() for content in (was, entries.read_bytes()))
    pins.write_text(pins.read_text().replace(*digests))


@pytest.mark.parametrize("name", [*STRANGE, *BESIDE])
def test_no_question_ends_at_a_frame_with_a_strange_value(
    archive: SmallArchive, name: str, tmp_path: Path
) -> None:
    with_strange(archive, name)
    for words in (
        ["frames"],
        ["targets"],
        ["targets", "--json"],
        ["nights"],
        ["nights", "--json"],
        ["index", "--json"],
        ["frames", "--csv"],
        ["gather", "M 33", "--into", str(tmp_path / "into")],
    ):
        asked(archive, *words)
    laid_out = {path.name for path in (tmp_path / "into").rglob("*.fits")}
    assert any(found.startswith("one") for found in laid_out), laid_out
