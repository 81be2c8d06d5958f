"""`nightferry check` without a path: the configuration says which drives."""

from __future__ import annotations

import pytest

from tests.support.nights import NIGHT, run


def configured(computer, stick, more=""):
    """Name the stick in the computer's configuration."""
    text = computer.file.read_text()
    drive = f"[[drive]]\nname = 'Field stick'\nfolder = '{stick}'\n"
    computer.file.write_text(text + drive + more)
    return computer.file


def test_without_a_path_the_configured_drives_are_proven(computer, stick):
    settings = configured(computer, stick)
    assert run("send", "--config", settings).exit == 0
    ran = run("check", "--config", settings, "--json")
    assert (ran.exit, ran.document["drives_absent"]) == (0, [])
    assert [bag["path"] for bag in ran.document["bags"]] == [str(stick / NIGHT.isoformat())]


def test_a_drive_that_is_not_there_is_named(computer, stick):
    settings = configured(computer, stick, "[[drive]]\nname = 'Spare'\n")
    assert run("send", "--drive", stick, "--config", settings).exit == 0
    ran = run("check", "--config", settings)
    assert ran.exit == 0
    assert "Not here, and not checked: 'Spare'" in ran.out


def test_without_any_drive_it_ends_with_3_and_says_so(computer, stick):
    settings = configured(computer, stick / "gone")
    ran = run("check", "--config", settings)
    assert ran.exit == 3
    assert "Field stick" in ran.err


def test_without_a_path_and_a_configuration_it_says_what_is_missing(tmp_path):
    ran = run("check", environ={"XDG_CONFIG_HOME": str(tmp_path), "HOME": str(tmp_path)})
    assert ran.exit == 2
    assert "nightferry.toml" in ran.err


def test_its_lines_fit_the_screen_and_a_path_stays_in_one_piece(computer, stick, monkeypatch):
    assert computer.command("send", "--drive", stick).exit == 0
    monkeypatch.setenv("COLUMNS", str(len(f"{stick}") + 35))
    lines = run("check", stick).out.splitlines()
    assert lines[1] == f"holds         {stick / NIGHT.isoformat()}"
    assert lines[2].startswith("              (5 proven, ")
    assert max(map(len, lines)) <= len(f"{stick}") + 35


@pytest.mark.parametrize("columns", [40, 60, 80])
def test_all_it_says_fits_the_screen_but_paths_and_commands(computer, stick, columns):
    name = "A spare stick that somebody else has taken away, and with it"
    settings = configured(computer, stick, f"[[drive]]\nname = '{name}'\n")
    assert run("send", "--drive", stick, "--config", settings).exit == 0
    (stick / "2026-03-10 (being let go)").mkdir()
    for words in (("--quick",), ()):
        ran = run("check", *words, "--config", settings, environ={"COLUMNS": str(columns)})
        assert ran.exit == 0
        lines = [line for line in ran.out.splitlines() if str(stick) not in line]
        assert max(map(len, lines)) <= columns
        text = " ".join(ran.out.split())
        assert f"Not here, and not checked: '{name}'." in text
        assert f"{stick}/2026-03-10 (being let go) is being let go: to go on, nightferry clear" in text
        assert ("A quick check proves nothing" in text) is bool(words)


def test_a_path_needs_no_configuration(computer, stick):
    assert computer.command("send", "--drive", stick).exit == 0
    assert run("check", stick).exit == 0
