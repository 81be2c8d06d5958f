"""The command as a process of its own: what it prints, its exit codes, piped and narrow."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.support.nights import Ran, run
from tests.support.small_archive import SmallArchive, frames_in
from tests.support.systems import need_links
from transfer.cli.gather import command

Command = Callable[..., Ran]


@pytest.fixture
def archive(tmp_path: Path) -> SmallArchive:
    made = SmallArchive(tmp_path / "archive")
    (tmp_path / "nightferry.toml").write_text(
        '[archive]\nfolder = "archive"\n[calibration]\nsensor_deg_c = 3.0\n', encoding="utf-8"
    )
    made.whole_set()
    made.light("light.fits", **{"CCD-TEMP": -8.0})
    return made


@pytest.fixture
def gather(archive: SmallArchive, tmp_path: Path) -> Command:
    def ran(*words: str, columns: int = 80) -> Ran:
        config = tmp_path / "nightferry.toml"
        environ = {"COLUMNS": str(columns)}
        return run("gather", *words, "--config", config, environ=environ)

    return ran


def test_the_screen_says_what_lies_where_within_its_width(gather: Command, tmp_path: Path) -> None:
    ran = gather("m 33", "--into", os.fspath(tmp_path / "run"))
    assert (ran.exit, ran.out.splitlines()[0].split(" lie in")[0]) == (
        0,
        "M 33: 1 light, 0.1 h, and 8 calibration frames",
    )
    assert re.search(r"New: 9 (hard links|copies, .*)\. There before: 0\.", ran.out)  # as the disk is able
    assert all(len(line) <= 80 for line in ran.out.splitlines() if os.fspath(tmp_path) not in line)
    assert len(frames_in(tmp_path / "run")) == 9


def test_a_dry_run_answers_without_a_folder(gather: Command, tmp_path: Path) -> None:
    ran = gather("m33", "--dry-run")
    assert ran.exit == 0
    assert "Nothing was written. Would be new: 9 frames, 51.8 kB. There already: 0." in ran.out
    assert "in darks/300s gain 100 -10C" in ran.out
    assert "Tables" not in ran.out
    assert sorted(path.name for path in tmp_path.iterdir()) == ["archive", "nightferry.toml"]


def test_the_configurations_limits_hold(gather: Command, tmp_path: Path) -> None:
    (tmp_path / "nightferry.toml").write_text('[archive]\nfolder = "archive"\n', encoding="utf-8")
    ran = gather("m33", "--into", os.fspath(tmp_path / "run"))
    assert ran.exit == 1
    assert "no dark for 300 s, gain 100, −8 °C; nearest −10 °C" in ran.out


def test_json_is_one_document_and_nothing_else(gather: Command, tmp_path: Path) -> None:
    ran = gather("m33", "--into", os.fspath(tmp_path / "run"), "--json", "--copy")
    document = ran.document
    assert ran.out.isascii()
    assert {"command", "exit", "message", "findings", "matches", "missing", "laid_out"} <= document.keys()
    assert (document["exit"], len(document["laid_out"])) == (0, 9)


@pytest.mark.parametrize("as_json", [False, True])
def test_an_unknown_target_exits_with_1(gather: Command, tmp_path: Path, as_json: bool) -> None:
    ran = gather("M 32", "--into", os.fspath(tmp_path / "run"), *(["--json"] if as_json else []))
    assert ran.exit == 1
    told = json.loads(ran.out)["message"] if as_json else ran.err
    assert "no lights of M 32" in told
    assert "M 33" in told
    assert not (tmp_path / "run").exists()
    if as_json:
        assert (ran.document["matches"], ran.document["missing"], ran.document["laid_out"]) == ([], [], [])


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["m33"], 2),
        (["", "--into", "run"], 2),
        (["m33", "--into", "archive/run"], 2),
        (["m33", "--into", "run", "--night", "14 March"], 2),
        (["m33", "--into", "run", "--archive", "nowhere"], 3),
        (["m33", "--into", "nightferry.toml/run"], 4),
    ],
)
def test_what_cannot_be_done_has_its_exit_code(
    archive: SmallArchive, tmp_path: Path, words: list[str], code: int
) -> None:
    ran = run("gather", *words, "--config", tmp_path / "nightferry.toml", cwd=tmp_path)
    assert ran.exit == code
    assert "Traceback" not in ran.err


def test_no_configuration_is_needed_where_the_archive_is_named(archive: SmallArchive, tmp_path: Path) -> None:
    environ = {"NIGHTFERRY_CONFIG": "", "HOME": os.fspath(tmp_path / "nobody")}
    folder = os.fspath(tmp_path / "run")
    ran = run("gather", "m33", "--archive", archive.root, "--into", folder, environ=environ, cwd=tmp_path)
    assert ran.exit == 1
    assert "nearest −10 °C" in ran.out


@need_links
def test_the_means_are_as_asked_for(gather: Command, tmp_path: Path) -> None:
    gather("m33", "--into", os.fspath(tmp_path / "links"), "--symbolic")
    gather("m33", "--into", os.fspath(tmp_path / "copies"), "--copy")
    paths = ["lights/M 33/Ha/2026-03-14/light.fits"]
    assert all((tmp_path / "links" / path).is_symlink() for path in paths)
    assert all((tmp_path / "copies" / path).stat().st_nlink == 1 for path in paths)


def test_targets_and_filters_are_completed(archive: SmallArchive, gather: Command, tmp_path: Path) -> None:
    gather("m33", "--into", os.fspath(tmp_path / "run"))
    parameters = {param.name: param for param in command.params}
    context = command.make_context(
        "gather",
        ["m", "--into", "x", "--archive", os.fspath(archive.root)],
        resilient_parsing=True,
    )
    for name, incomplete, found in (("target", "m", "M 33"), ("filters", "h", "Ha")):
        items = parameters[name].shell_complete(context, incomplete)
        assert [item.value for item in items] == [found]


def test_help_says_what_is_never_changed() -> None:
    told = CliRunner().invoke(command, ["--help"]).output
    assert "No frame of the archive is changed" in " ".join(told.split())
