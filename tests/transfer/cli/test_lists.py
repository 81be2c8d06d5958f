"""`nightferry targets`, `nights` and `index`: what they list, and how it fits."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from manifests.bags.entries import Entry
from manifests.bags.paths import TAG_MANIFEST
from manifests.frames.frame import FrameType, Stage
from manifests.index.schema import INDEX_NAME
from tests.support.archives import calibration, light, small_archive, write_bag
from transfer.archive.mark import MARK_NAME, mark_text, new_mark
from transfer.cli.main import main
from transfer.cli.targets import degrees_and_minutes, hours_and_minutes
from transfer.jobs.index import build_index

Ask = Callable[..., Result]


@pytest.fixture(scope="module")
def listed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = small_archive(tmp_path_factory.mktemp("listed") / "archive")
    for manifest in root.rglob(TAG_MANIFEST):
        os.utime(manifest, (1e9, 1e9))
    build_index(root)
    return root


@pytest.fixture
def root(listed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(listed, tmp_path / "archive"))


def asking(root: Path) -> Ask:
    return lambda *words: CliRunner().invoke(main, [*words, "--archive", str(root)])


@pytest.fixture
def ask(listed: Path, monkeypatch: pytest.MonkeyPatch) -> Ask:
    monkeypatch.delenv("COLUMNS", raising=False)
    return asking(listed)


def test_targets_add_up_nights_and_hours_by_filter(ask: Ask) -> None:
    assert ask("targets").stdout.splitlines() == [
        "target    nights  hours  by filter      first       last        RA, Dec",
        "M 51           2    1.0  Ha 0.8  L 0.2  2026-03-14  2026-03-15  13h30m +47°12′",
        "NGC 4565       1    0.5  OIII 0.5       2026-03-14  2026-03-14  12h36m +25°59′",
        "2 targets, 10 frames, 1.5 hours.",
    ]


def test_targets_as_json(ask: Ask) -> None:
    found = json.loads(ask("targets", "--json").stdout)
    assert (found["command"], found["exit"], found["findings"]) == ("targets", 0, [])
    assert found["hours"] == pytest.approx(1.5)
    first = found["targets"][0]
    assert (first["target"], first["nights"], first["first_night"]) == ("M 51", 2, "2026-03-14")
    assert first["filters"][1]["filter"] == "L"
    assert first["filters"][1]["hours"] == pytest.approx(1 / 6)
    assert (first["ra_deg"], first["dec_deg"]) == pytest.approx((202.47, 47.195))


def test_targets_are_in_the_order_of_their_numbers(root: Path) -> None:
    for name in ("M 101", "M 5", "Sh2-155", "Sh2-9"):
        write_bag(root / name, [light(20, name)])
    lines = asking(root)("targets").stdout.splitlines()[1:-1]
    assert [line.partition("  ")[0] for line in lines] == [
        "M 5",
        "M 51",
        "M 101",
        "NGC 4565",
        "Sh2-9",
        "Sh2-155",
    ]


def test_frames_of_nobody_knows_what_are_last_and_a_dash(root: Path) -> None:
    of = light(20, "unplaced", frame={"object_name": None, "ra_deg": None, "dec_deg": None})
    unplaced = replace(of, target=None, sky=None)
    write_bag(root / "unplaced", [unplaced])
    lines = asking(root)("targets").stdout.splitlines()
    assert lines[-2].startswith("-  ")
    assert lines[-1] == "2 targets, 11 frames, 1.7 hours."
    nights = asking(root)("nights", "--night", "2026-03-14").stdout.splitlines()
    assert nights[3].split() == ["-", "Ha", "1", "(0.2", "h)"]


def test_nights_say_what_each_gave(ask: Ask) -> None:
    assert ask("nights").stdout.splitlines() == [
        "night       hours  moon  findings  target         frames by filter",
        "2026-03-14    1.3   20%         -  M 51           Ha 4 (0.7 h)  L 2 (0.2 h)",
        "                                   NGC 4565       OIII 3 (0.5 h)",
        "                                   (calibration)  bias 2  dark 2",
        "                                   (logs)         2",
        "2026-03-15    0.2   20%         1  M 51           Ha 1 (0.2 h)",
        "2 nights, 14 frames, 1.5 hours of lights.",
    ]


def test_nights_of_a_target_and_a_filter(ask: Ask) -> None:
    assert ask("nights", "--target", "m51", "--filter", "Ha").stdout.splitlines() == [
        "night       hours  moon  findings  target  frames by filter",
        "2026-03-14    0.7   20%         -  M 51    Ha 4 (0.7 h)",
        "2026-03-15    0.2   20%         1  M 51    Ha 1 (0.2 h)",
        "2 nights, 5 frames, 0.8 hours of lights.",
    ]
    found = json.loads(ask("nights", "--target", "NGC4565", "--json").stdout)
    assert [(night["night"], night["frames"], night["logs"]) for night in found["nights"]] == [
        ("2026-03-14", 3, 0)
    ]
    unknown = ask("nights", "--target", "M 52")
    assert unknown.stdout == "0 nights, 0 frames, 0.0 hours of lights.\n"
    assert "no target 'M 52'" in unknown.stderr


def test_a_verdict_is_shown_with_the_nights_of_a_target(root: Path) -> None:
    (root / MARK_NAME).write_text(mark_text(new_mark("years", datetime(2026, 3, 1, tzinfo=UTC))))
    said = asking(root)("mark", "2026-03-14", "good")
    assert said.exit_code == 0, said.output
    assert "good" in asking(root)("nights", "--target", "M 51").stdout


def test_names_of_the_configuration_join_what_was_filed_apart(root: Path) -> None:
    config = root.parent / "nightferry.toml"
    config.write_text('[targets]\n"Whirl" = ["M 51", "NGC 4565"]\n[filters]\n"red" = ["Ha", "L"]\n')
    lines = asking(root)("targets", "--config", str(config)).stdout.splitlines()
    assert lines[1].split()[:9] == [
        "Whirl",
        "2",
        "1.5",
        "OIII",
        "0.5",
        "red",
        "1.0",
        "2026-03-14",
        "2026-03-15",
    ]
    assert lines[-1] == "1 target, 10 frames, 1.5 hours."
    nights = asking(root)("nights", "--config", str(config), "--night", "2026-03-14").stdout.splitlines()
    assert nights[1].split()[4:] == ["Whirl", "OIII", "3", "(0.5", "h)", "red", "6", "(0.8", "h)"]


def made(number: int, image_type: str, **facts: object) -> Entry:
    return light(number, frame={"image_type": image_type, **facts})


def test_what_was_made_from_raw_frames_is_out_of_hours_and_counts(root: Path) -> None:
    write_bag(
        root / "results",
        [
            made(40, "Integrated light", stage=Stage.STACK, exposure_s=36000.0),
            made(41, "Light", stage=Stage.CALIBRATED),
        ],
    )
    write_bag(root / "masters", [calibration(FrameType.DARK, 42, 600.0, stage=Stage.MASTER)])
    targets = asking(root)("targets").stdout.splitlines()
    assert targets[1].split() == [
        *("M", "51", "2", "1.0", "Ha", "0.8", "L", "0.2"),
        *("2026-03-14", "2026-03-15", "13h30m", "+47°12′", "2"),
    ]
    assert targets[-1] == "2 targets, 10 frames, 1.5 hours."
    nights = asking(root)("nights", "--night", "2026-03-14").stdout.splitlines()
    assert [" ".join(line.split()) for line in nights[3:5]] == [
        "(results) M 51 Ha calibrated 1 M 51 Ha stack 1",
        "(calibration) bias 2 dark 2 master dark 1",
    ]
    assert nights[-1] == "1 night, 13 frames, 1.3 hours of lights."
    listed = asking(root)("frames", "--type", "light").stdout.splitlines()
    assert listed[-1] == "12 frames, 1.5 hours."


def test_nights_of_a_range(ask: Ask) -> None:
    assert (
        ask("nights", "--since", "2026-03-15").stdout.splitlines()[-1]
        == "1 night, 1 frame, 0.2 hours of lights."
    )
    assert ask("nights", "--night", "2025-01-01").stdout == "0 nights, 0 frames, 0.0 hours of lights.\n"


def test_nights_as_json(ask: Ask) -> None:
    found = json.loads(ask("nights", "--json").stdout)
    first, second = found["nights"]
    assert (first["night"], first["frames"], first["logs"]) == ("2026-03-14", 13, 2)
    assert first["moon_illumination"] == pytest.approx(0.2)
    assert second["finding_count"] == 1
    assert {
        "type": "dark",
        "target": None,
        "filter": None,
        "stage": "raw",
        "in_use": True,
        "frames": 2,
        "hours": pytest.approx(1 / 3),
    } in first["parts"]
    assert found["hours"] == pytest.approx(1.5)


@pytest.mark.parametrize("command", ["targets", "nights"])
@pytest.mark.parametrize("columns", [60, 80, 120])
def test_lists_fit_and_lose_nothing(
    root: Path, monkeypatch: pytest.MonkeyPatch, command: str, columns: int
) -> None:
    name = "The long way round, panel 2 of a mosaic of six"
    write_bag(
        root / "long", [light(number, name, stem="x", name=f"filter {number}") for number in range(20, 28)]
    )
    monkeypatch.setenv("COLUMNS", str(columns))
    lines = asking(root)(command).stdout.splitlines()
    assert max(map(len, lines)) <= columns
    words = " ".join(" ".join(lines).split())
    for each in ("round,", "mosaic", "filter 20", "filter 27"):
        assert each in words


@pytest.mark.parametrize("command", ["targets", "nights"])
def test_what_is_absent_is_counted(root: Path, command: str) -> None:
    shutil.rmtree(root / "M 51")
    answer = asking(root)(command)
    assert "absent" in answer.stdout.splitlines()[0]
    assert answer.stderr == "Bags have changed: M 51 is absent.\n"
    rows = json.loads(asking(root)(command, "--json").stdout)[command]
    assert sum(row["absent_frames"] for row in rows) == 7


@pytest.mark.parametrize("command", ["targets", "nights", "frames"])
def test_what_is_wrong_with_a_bag_is_told_beside_any_list(root: Path, command: str) -> None:
    entries = root / "M 51" / "nightferry" / "entries.jsonl"
    entries.write_bytes(entries.read_bytes() + b"{}\n")
    (root / INDEX_NAME).unlink()
    answer = asking(root)(command)
    assert answer.exit_code == 1
    assert "Worth a look: M 51/nightferry/entries.jsonl: malformed" in answer.stderr
    found = json.loads(asking(root)(command, "--json").stdout)
    assert (found["exit"], {one["finding"] for one in found["findings"]}) == (1, {"changed", "malformed"})


@pytest.mark.parametrize("command", ["targets", "nights", "frames"])
def test_an_index_that_is_built_is_said_so_beside_the_list(root: Path, command: str) -> None:
    (root / INDEX_NAME).unlink()
    answer = asking(root)(command)
    assert answer.exit_code == 0
    assert answer.stderr.splitlines() == [
        "There is no index of this archive yet: it is being built from the bags.",
        "The index was built: 16 files in 4 bags.",
    ]


@pytest.mark.parametrize("command", ["targets", "nights", "frames", "index"])
def test_an_archive_that_is_not_there_has_its_exit_code(root: Path, command: str) -> None:
    assert asking(root / "nowhere")(command).exit_code == 3
    assert json.loads(asking(root / "nowhere")(command, "--json").stdout)["exit"] == 3


def test_the_index_says_what_it_did(root: Path) -> None:
    shutil.rmtree(root / "M 51")
    (root / "NGC 4565" / "nightferry" / "entries.jsonl").unlink()
    answer = asking(root)("index")
    assert answer.exit_code == 1
    assert answer.stdout.splitlines()[0] == "Absent: M 51"
    assert (
        "Worth a look: NGC 4565/nightferry/entries.jsonl: missing (the bag's list of entries)"
        in answer.stdout
    )
    assert (
        answer.stdout.splitlines()[-1]
        == "The index was built from 3 bags: 11 frames among 13 files. 1.3 hours."
    )


def test_the_index_as_json(root: Path) -> None:
    found = json.loads(asking(root)("index", "--json").stdout)
    assert (found["command"], found["exit"], found["bags"], found["frames"]) == ("index", 0, 4, 14)
    assert found["path"] == str(root / INDEX_NAME)


def test_without_an_archive_in_the_configuration_it_says_what_to_write(tmp_path: Path) -> None:
    config = tmp_path / "nightferry.toml"
    config.write_text("[site]\nlongitude = 1.0\n", encoding="utf-8")
    answer = CliRunner().invoke(main, ["targets", "--config", str(config)])
    assert answer.exit_code == 2
    assert "[archive]" in answer.stderr


@pytest.mark.parametrize(
    ("degrees", "told"), [(0, "00h00m"), (202.47, "13h30m"), (359.99, "00h00m"), (14.99, "01h00m")]
)
def test_a_right_ascension_to_the_minute(degrees: float, told: str) -> None:
    assert hours_and_minutes(degrees) == told


@pytest.mark.parametrize(
    ("degrees", "told"), [(47.195, "+47°12′"), (-0.5, "-00°30′"), (-0.001, "+00°00′"), (-89.999, "-90°00′")]
)
def test_a_declination_to_the_minute(degrees: float, told: str) -> None:
    assert degrees_and_minutes(degrees) == told


def test_a_frame_of_no_known_type_counts_with_the_lights_of_its_filter(root: Path) -> None:
    of = light(20, "untyped")
    assert of.frame is not None
    untyped = replace(of.frame, frame_type=None, image_type="Whatsit")
    write_bag(root / "untyped", [replace(of, target="M 51", frame=untyped)])
    line = asking(root)("nights", "--night", "2026-03-14").stdout.splitlines()[1]
    assert line.split()[4:] == ["M", "51", "Ha", "5", "(0.8", "h)", "L", "2", "(0.2", "h)"]
