"""`nightferry frames`: what is found, and what each form of the list says."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from manifests.bags.paths import TAG_MANIFEST
from manifests.findings import FindingKind
from manifests.index.frame_query import Order
from manifests.index.schema import INDEX_NAME
from tests.support.archives import light, small_archive, write_bag
from tests.support.nights import command_line
from transfer.cli.main import main
from transfer.jobs.index import build_index

Ask = Callable[..., Result]
M_51 = [f"M 51 Ha {number:03}.fits" for number in (0, 1, 2, 3)]


@pytest.fixture(scope="module")
def listed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return an archive that the tests only ask, in bags old enough to be known again."""
    root = small_archive(tmp_path_factory.mktemp("listed") / "archive")
    for manifest in root.rglob(TAG_MANIFEST):
        os.utime(manifest, (1e9, 1e9))
    build_index(root)
    return root


@pytest.fixture
def root(listed: Path, tmp_path: Path) -> Path:
    """Return an archive of the test's own."""
    return Path(shutil.copytree(listed, tmp_path / "archive"))


def asking(root: Path) -> Ask:
    return lambda *words: CliRunner().invoke(main, ["frames", "--archive", str(root), *words])


@pytest.fixture
def ask(listed: Path, monkeypatch: pytest.MonkeyPatch) -> Ask:
    monkeypatch.delenv("COLUMNS", raising=False)
    return asking(listed)


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return an archive whose list fills any pipe."""
    root = tmp_path_factory.mktemp("long")
    write_bag(root / "M 51", [light(number) for number in range(2000)])
    build_index(root)
    return root


def names(result: Result) -> list[str]:
    """Return the names of the files in a list of paths."""
    assert result.exit_code == 0, result.output
    return [Path(line).name for line in result.stdout.splitlines()]


def document(result: Result) -> dict[str, Any]:
    found = json.loads(result.stdout)
    assert isinstance(found, dict)
    return found


# What is found


@pytest.mark.parametrize(
    ("words", "frames"),
    [
        (["--target", "m51"], 7),
        (["--target", "m51", "--target", "NGC4565"], 10),
        (["--target", "m51", "--filter", "lum"], 2),
        (["--filter", "H-alpha", "--filter", "o3"], 8),
        (["--night", "2026-03-15"], 1),
        (["--since", "2026-03-15"], 1),
        (["--until", "2026-03-14"], 13),
        (["--since", "2026-03-14", "--until", "2026-03-15"], 14),
        (["--type", "Dark Frame"], 2),
        (["--type", "zero", "--type", "light"], 12),
        (["--exposure", "300"], 2),
        (["--exposure", "1..300"], 2),
        (["--exposure", "..0"], 2),
        (["--exposure", "600.."], 10),
        (["--camera", "lantern 26m"], 14),
        (["--position", "202.47 47.2", "--radius", "0.5"], 7),
        (["--position", "12h36m21s +25d59m", "--radius", "10'"], 3),
        (["--position", "202.5,48"], 7),
        (["--position", "202.5,48", "--radius", "0.5"], 0),
        (["--finding", "no DATE in the header"], 1),
        (["--finding", "any"], 1),
        (["--finding", "data cut short"], 0),
        (["--altitude", "..30"], 3),
        (["--altitude", "60..90"], 7),
        (["--twilight", "nautical"], 3),
        (["--twilight", "any"], 3),
        (["--twilight", "none"], 7),
        (["--twilight", "civil"], 0),
        (["--limit", "5"], 5),
        (["--target", "m51", "--altitude", "..30"], 0),
    ],
)
def test_frames_are_found_by_what_they_are(ask: Ask, words: list[str], frames: int) -> None:
    assert len(names(ask("--paths", *words))) == frames


def test_they_come_in_order_of_time_or_as_asked(ask: Ask) -> None:
    ordered = names(ask("--paths", "--target", "m51", "--filter", "ha"))
    assert ordered == [*M_51, "M 51 Ha 006.fits"]
    reverse = names(ask("--paths", "--target", "m51", "--filter", "ha", "--descending", "--limit", "2"))
    assert reverse == ["M 51 Ha 006.fits", "M 51 Ha 003.fits"]
    assert names(ask("--paths", "--type", "light", "--order", "altitude", "--limit", "1")) == [
        "NGC 4565 OIII 010.fits"
    ]


@pytest.mark.parametrize("order", list(Order))
def test_every_order_can_be_asked_for(ask: Ask, order: Order) -> None:
    assert len(names(ask("--paths", "--order", order.value))) == 14


@pytest.mark.parametrize("kind", list(FindingKind))
def test_every_finding_can_be_asked_for(ask: Ask, kind: FindingKind) -> None:
    assert ask("--finding", kind.value.upper()).exit_code == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--exposure", "600..60"], "larger"),
        (["--exposure", "long"], "not a number"),
        (["--exposure", "nan"], "not a number"),
        (["--exposure", ".."], "LEAST..MOST"),
        (["--altitude", "30"], "write 30.. for that or more"),
        (["--type", "portrait"], "light, dark"),
        (["--finding", "data cut"], "is it data cut short"),
        (["--finding", "bogus"], "no date in the header, date without a time"),
        (["--position", "somewhere"], "somewhere"),
        (["--position", "10 20", "--radius", "270"], "from 0 to 180"),
        (["--radius", "1"], "no --position"),
        (["--night", "14.3.2026"], "2026"),
        (["--night", "2026-03-14", "--since", "2026-03-14"], "one of the two"),
        (["--since", "2026-03-15", "--until", "2026-03-14"], "later than"),
        (["--limit", "0"], "x>=1"),
        (["--csv", "--json"], "two forms"),
        (["--paths", "--paths0"], "two forms"),
    ],
)
def test_a_question_that_cannot_be_meant_is_refused(ask: Ask, words: list[str], said: str) -> None:
    refused = ask(*words)
    assert refused.exit_code == 2
    assert said in refused.output


def test_a_target_that_is_not_there_is_pointed_out(ask: Ask) -> None:
    answer = ask("--target", "M 52")
    assert (answer.exit_code, answer.stdout) == (0, "0 frames, 0.0 hours.\n")
    assert answer.stderr == "The archive has no target 'M 52'. Near it: M 51.\n"


def test_ones_own_names_are_the_configurations(listed: Path, tmp_path: Path) -> None:
    config = tmp_path / "nightferry.toml"
    config.write_text(
        f'[archive]\nfolder = \'{listed}\'\n[targets]\n"M 51" = ["whirl"]\n[filters]\nHa = ["red one"]\n',
        encoding="utf-8",
    )
    words = ["frames", "--config", str(config), "--paths", "--target", "Whirl", "--filter", "red one"]
    assert len(names(CliRunner().invoke(main, words))) == 5
    words += ["--archive", str(listed)]
    assert len(names(CliRunner().invoke(main, words))) == 5


# The table


def test_the_last_line_says_how_many_hours_it_adds_up_to(ask: Ask) -> None:
    assert ask("--type", "light").stdout.splitlines()[-1] == "10 frames, 1.5 hours."
    assert (
        ask("--type", "light", "--limit", "4").stdout.splitlines()[-1] == "4 of 10 frames, 0.7 of 1.5 hours."
    )
    assert ask("--limit", "14").stdout.splitlines()[-1] == "14 frames, 1.8 hours."


@pytest.mark.parametrize("columns", [73, 80, 120])
def test_the_table_fits(ask: Ask, monkeypatch: pytest.MonkeyPatch, columns: int) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    lines = ask().stdout.splitlines()
    assert max(map(len, lines)) <= columns
    assert all(f"M 51 {name}.fits" in "\n".join(lines) for name in ("Ha 003", "L 005"))


def test_into_a_pipe_it_goes_whole(ask: Ask) -> None:
    lines = ask("--target", "m51").stdout.splitlines()
    assert lines[1].startswith("2026-03-14  21:00  M 51    Ha      light     600 s  60°  Lantern 26M  -")
    assert lines[1].endswith("  M 51/data/2026-03-14/Ha/M 51 Ha 000.fits")
    assert lines[-2].endswith("  no date in the header  M 51/data/2026-03-15/Ha/M 51 Ha 006.fits")


def test_what_a_header_says_cannot_act_on_a_terminal(root: Path) -> None:
    evil = "\x1b]0;M\x07 51\x1b[2J\u202e"
    write_bag(root / "evil", [light(30, evil, stem="evil", frame={"camera": evil})])
    for words in ([], ["--csv"], ["--ecsv"], ["--votable"], ["--json"]):
        answer = asking(root)(*words)
        assert answer.exit_code == 0, answer.output
        assert not any(sign in answer.output for sign in "\x1b\x07\u202e"), words
        assert r"\x1b[2J" in answer.output or r"\u001b[2J" in answer.output


def test_absent_frames_are_shown_as_absent(root: Path) -> None:
    shutil.rmtree(root / "M 51")
    answer = asking(root)("--type", "light")
    assert answer.exit_code == 0
    assert sum("absent" in line.split("  ") for line in answer.stdout.splitlines()[1:-1]) == 6
    assert answer.stdout.splitlines()[-1] == "10 frames, 1.5 hours; 7 of them absent."
    assert asking(root)("--type", "light", "--present").stdout.splitlines()[-1] == "3 frames, 0.5 hours."


# For programs


def test_json_has_the_keys_that_scripts_rely_on(listed: Path, ask: Ask) -> None:
    found = document(ask("--json", "--target", "m51"))
    first = found["frames"][0]
    assert first["path"] == str(listed / "M 51" / "data" / "2026-03-14" / "Ha" / "M 51 Ha 000.fits")
    assert [first[key] for key in ("target", "filter", "night", "type")] == [
        "M 51",
        "Ha",
        "2026-03-14",
        "light",
    ]
    assert (first["exposure_s"], first["sensor_deg_c"], first["altitude_deg"]) == (600.0, -10.1, 60.0)
    assert (first["header_altitude_deg"], first["filter_name"]) == (61.0, "H-alpha")
    assert (first["begun_utc"], first["absent"], first["observer"]) == ("2026-03-14T21:00:00Z", False, None)
    assert found["hours"] == pytest.approx(1.0)
    assert (found["command"], found["exit"], found["findings"]) == ("frames", 0, [])
    assert found["message"] == "7 frames, 1.0 hours."
    assert found["frames"][-1]["findings"] == [
        {"finding": "no date in the header", "detail": "as a test has it"}
    ]


def test_json_of_a_part_says_what_the_whole_is(ask: Ask) -> None:
    found = document(ask("--json", "--type", "light", "--limit", "3"))
    assert (len(found["frames"]), found["frames_found"]) == (3, 10)
    assert (found["hours"], found["hours_found"]) == pytest.approx((0.5, 1.5))


def test_json_of_nothing_is_a_document(ask: Ask) -> None:
    found = document(ask("--json", "--target", "M 52"))
    assert (found["frames"], found["hours"], found["exit"]) == ([], 0.0, 0)
    assert found["notes"] == ["The archive has no target 'M 52'. Near it: M 51."]


def test_json_of_an_error_is_a_document(listed: Path) -> None:
    answer = CliRunner().invoke(main, ["frames", "--archive", str(listed / "nowhere"), "--json"])
    found = document(answer)
    assert (found["frames"], found["hours"], found["exit"], answer.exit_code) == ([], 0.0, 3, 3)


def test_damage_on_the_way_leaves_one_whole_document(long: Path) -> None:
    program = (
        "import sys; from pathlib import Path; from manifests.index import frames;"
        "given = frames._frame_row; count = iter(range(10**6));\n"
        "def spoilt(index, row):\n"
        "    if next(count) == 500:\n"
        "        raise ValueError('a row that makes no sense')\n"
        "    return given(index, row)\n"
        "frames._frame_row = spoilt; from transfer.cli.main import main; main(sys.argv[1:])"
    )
    words = ["frames", "--archive", str(long), "--json"]
    ran = subprocess.run([sys.executable, "-c", program, *words], capture_output=True, text=True, check=False)
    found = json.loads(ran.stdout)
    assert (len(found["frames"]), found["exit"], ran.returncode) == (500, 1, 1)
    assert "not all" in found["message"]
    assert "being built again" in ran.stderr


def test_csv_has_a_heading_and_a_line_for_each_frame(listed: Path, ask: Ask) -> None:
    answer = ask("--csv", "--target", "m51")
    assert answer.stdout_bytes.count(b"\n") == 8
    assert b"\r" not in answer.stdout_bytes
    rows = list(csv.DictReader(io.StringIO(answer.stdout)))
    assert len(rows) == 7
    assert rows[0]["path"] == str(listed / "M 51" / "data" / "2026-03-14" / "Ha" / "M 51 Ha 000.fits")
    assert (rows[0]["exposure_s"], rows[0]["absent"], rows[0]["observer"]) == ("600.0", "false", "")
    assert rows[-1]["findings"] == "no date in the header"


def test_csv_of_a_name_with_a_comma_or_a_quote_is_one_field(root: Path) -> None:
    name = 'The "long, long" way\nround'
    write_bag(root / "way", [light(30, name, stem="way")])
    rows = list(csv.DictReader(io.StringIO(asking(root)("--csv", "--limit", "1", "--descending").stdout)))
    assert rows[0]["target"] in (name, name.replace("\n", r"\n"), "M 51")
    all_rows = list(csv.DictReader(io.StringIO(asking(root)("--csv").stdout)))
    assert {row["target"] for row in all_rows} >= {name.replace("\n", r"\n")}
    assert len(all_rows) == 15


def test_paths_are_whole_paths(listed: Path, ask: Ask) -> None:
    first = listed / "M 51" / "data" / "2026-03-14" / "Ha" / "M 51 Ha 000.fits"
    assert ask("--paths", "--target", "m51", "--limit", "1").stdout == f"{first}\n"
    assert ask("--paths0", "--target", "m51", "--limit", "1").stdout_bytes == os.fsencode(first) + b"\0"


def test_a_frame_that_was_deleted_is_absent_and_no_path(root: Path) -> None:
    next(root.glob("M 51/data/**/M 51 Ha 001.fits")).unlink()
    answer = asking(root)("--paths", "--target", "M 51")
    assert answer.exit_code == 1
    assert "M 51 Ha 001.fits" not in answer.stdout
    assert all(Path(line).exists() for line in answer.stdout.splitlines())
    assert "Left out: 1 frame not there now." in answer.stderr
    frames = document(asking(root)("--json", "--target", "M 51"))["frames"]
    assert [frame["path"][-7:-5] for frame in frames if frame["absent"]] == ["01"]
    assert asking(root)("--target", "M 51").stdout.splitlines()[-1].endswith("; 1 of them absent.")
    assert len(document(asking(root)("--json", "--target", "M 51", "--present"))["frames"]) == 6


def test_a_bag_folder_that_was_renamed_leaves_no_dead_path(root: Path) -> None:
    (root / "M 51").rename(root / "Whirlpool")
    answer = asking(root)("--paths", "--target", "M 51")
    assert len(answer.stdout.splitlines()) == 7
    assert all(Path(line).exists() for line in answer.stdout.splitlines())


def test_a_target_brings_its_panels(root: Path) -> None:
    write_bag(root / "mosaic", [light(30, "M 51 panel 1"), light(31, "M 51 panel 2")])
    assert len(names(asking(root)("--paths", "--target", "m51"))) == 9
    assert len(names(asking(root)("--paths", "--target", "m51 p2"))) == 1


def test_names_of_the_configuration_count_without_filing_again(root: Path) -> None:
    config = root.parent / "nightferry.toml"
    config.write_text('[targets]\n"Whirl" = ["M 51"]\n[filters]\n"narrow red" = ["Ha"]\n')
    for typed in ("Whirl", "M 51"):
        answer = asking(root)("--config", str(config), "--json", "--target", typed, "--filter", "narrow red")
        frames = document(answer)["frames"]
        assert {(frame["target"], frame["filter"]) for frame in frames} == {("Whirl", "narrow red")}
        assert len(frames) == 5


def test_paths_are_of_files_that_are_there(root: Path) -> None:
    shutil.rmtree(root / "M 51")
    answer = asking(root)("--paths", "--type", "light")
    assert answer.exit_code == 1
    assert len(answer.stdout.splitlines()) == 3
    assert "Left out: 7 frames not there now." in answer.stderr


@pytest.mark.skipif(os.name == "nt", reason="no file of that name can be there")
def test_a_path_with_a_line_end_is_not_taken_for_two(root: Path) -> None:
    write_bag(root / "odd", [light(30, "Odd").at("data/one\nor two.fits")])
    answer = asking(root)("--paths", "--target", "Odd")
    assert (answer.exit_code, answer.stdout) == (1, "")
    assert r"one\nor two.fits" in answer.stderr
    whole = asking(root)("--paths0", "--target", "Odd")
    assert whole.stdout_bytes == os.fsencode(root / "odd" / "data" / "one\nor two.fits") + b"\0"


@pytest.mark.skipif(os.name == "nt", reason="not every such file can be there")
@pytest.mark.parametrize("sign", ["\u202e", "\u2066", "\u200f", "\x1b[2J", "\u2028", "\r"])
def test_a_sign_that_turns_or_acts_is_raw_in_paths0_alone(root: Path, sign: str) -> None:
    name = f"one{sign}stif.two.fits"
    write_bag(root / "odd", [light(30, "Odd").at(f"data/{name}")])
    answer = asking(root)("--paths", "--target", "Odd")
    assert (answer.exit_code, answer.stdout) == (1, "")
    assert "Left out: " in answer.stderr
    for form in ("--present", "--csv", "--json"):
        assert sign not in asking(root)(form, "--target", "Odd").output
    whole = asking(root)("--paths0", "--target", "Odd")
    assert whole.stdout_bytes == os.fsencode(root / "odd" / "data" / name) + b"\0"


def test_a_space_that_does_not_break_a_line_is_a_space(root: Path) -> None:
    write_bag(root / "odd", [light(30, "Odd").at("data/one\xa0two.fits")])
    answer = asking(root)("--paths", "--target", "Odd")
    assert (answer.exit_code, Path(answer.stdout.strip()).name) == (0, "one\xa0two.fits")


# As a process of its own


def run(*words: str, **environ: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        command_line(*words), capture_output=True, check=False, env={**os.environ, **environ}
    )


@pytest.mark.skipif(os.name == "nt", reason="needs a shell with head")
@pytest.mark.parametrize("form", ["--present", "--json", "--csv", "--ecsv", "--paths"])
def test_a_reader_that_has_had_enough_is_no_error(long: Path, form: str) -> None:
    words = [str(word) for word in command_line("frames", "--archive", str(long), form)]
    ran = subprocess.run(
        ["bash", "-c", '"$@" | head -n 1; echo "${PIPESTATUS[0]}"', "bash", *words],
        capture_output=True,
        check=True,
    )
    first, code = ran.stdout.splitlines()
    assert first
    assert (code, ran.stderr) == (b"6", b"")


@pytest.mark.parametrize("encoding", ["ascii", "cp437", "latin-1"])
def test_an_output_that_cannot_write_every_character_gets_what_it_can(root: Path, encoding: str) -> None:
    write_bag(root / "Hα", [light(30, "馬頭星雲 β")])
    ran = run(
        "frames", "--archive", str(root), "--target", "馬頭星雲 β", PYTHONIOENCODING=encoding, COLUMNS="80"
    )
    assert ran.returncode == 0, ran.stderr
    text = ran.stdout.decode(encoding)
    assert r"\u99ac" in text
    assert max(map(len, text.splitlines())) <= 80


def test_an_output_in_utf8_lines_up(root: Path) -> None:
    write_bag(root / "Hα", [light(30, "馬頭星雲")])
    ran = run("targets", "--archive", str(root), PYTHONIOENCODING="utf-8")
    assert "馬頭星雲       1" in ran.stdout.decode()


@pytest.mark.parametrize(
    "words",
    [
        ["targets"],
        ["nights", "--json"],
        ["frames", "--target", "M 51", "--position", "202.47,47.2", "--radius", "1", "--csv"],
        ["frames", "--json", "--limit", "1"],
        ["index"],
    ],
)
def test_plain_questions_load_no_astronomy_library(listed: Path, words: list[str]) -> None:
    program = (
        "import sys\nfrom transfer.cli.main import main\n"
        "try:\n    main(sys.argv[1:])\nfinally:\n"
        "    assert not {'astropy', 'numpy', 'erfa'} & sys.modules.keys()"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program, *words, "--archive", str(listed)], capture_output=True, check=False
    )
    assert (ran.returncode, b"Traceback" in ran.stderr) == (0, False), ran.stderr


def test_the_index_is_where_it_belongs_and_nothing_else_is_left(root: Path) -> None:
    before = {path for path in root.rglob("*") if path.name != INDEX_NAME}
    write_bag(root / "M 33", [light(20, "M 33")])
    asking(root)("--json")
    asking(root)("--votable")
    after = {path for path in root.rglob("*") if not path.is_relative_to(root / "M 33")}
    assert after - before == {root / INDEX_NAME}
