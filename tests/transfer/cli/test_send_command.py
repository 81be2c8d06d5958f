"""`nightferry send` as scripts and people meet it: exit codes, one JSON document, plain words."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.support.nights import NIGHT, Computer, assert_valid, command_line, prepared, run
from transfer.cli.main import main

COMMON = {"command", "exit", "message", "findings"}
OF_SEND = COMMON | {
    "nights",
    "files_proven",
    "files_unproven",
    "bytes_proven",
    "safe_to_pull",
}


def printable(text):
    return all(character.isprintable() or character == "\n" for character in text)


# What is told


def test_a_run_prints_its_receipt_and_ends_with_0(computer, stick):
    ran = computer.command("send", "--drive", stick)
    assert (ran.exit, ran.err) == (0, "")
    on_the_drive = (stick / "READ ME FIRST.txt").read_text().splitlines()
    assert [line for line in ran.out.splitlines() if line not in on_the_drive] == []
    assert_valid(stick / NIGHT.isoformat())


def test_a_night_that_stays_behind_is_named_though_tonight_has_nothing_new(computer, stick):
    computer.command("send", "--drive", stick)
    computer.frame("misdated.fits", begun="2000-01-01T22:00:00")  # the clock's battery was empty
    for _ in range(2):
        ran = computer.command("send", "--drive", stick)
        assert ran.exit == 0
        assert "safe only on the imaging computer: 1 file of 1 night (2000-01-01)." in ran.out
        told = (stick / "READ ME FIRST.txt").read_text()
        assert "nightferry send --since 2000-01-01" in " ".join(told.split())


def test_json_is_one_document_with_every_key_of_the_contract(computer, stick):
    ran = computer.command("send", "--drive", stick, "--json")
    document = ran.document
    assert (ran.exit, ran.err, document["exit"]) == (0, "", 0)
    assert document.keys() >= OF_SEND
    assert {"night", "drive", "files", "bytes", "proven", "read_back"} <= document["nights"][0].keys()
    assert (document["files_proven"], document["safe_to_pull"]) == (5, True)


@pytest.mark.parametrize("limit", [(), ("--time-limit", "5m")])
def test_a_second_run_says_so_and_writes_nothing(computer, stick, limit):
    computer.command("send", "--drive", stick)
    before = {path: path.lstat().st_mtime_ns for path in stick.rglob("*")}
    for _ in range(2):
        ran = computer.command("send", "--drive", stick, *limit)
        assert (ran.exit, ran.err) == (0, "")
        assert "Nothing new to send" in ran.out
    assert computer.command("send", "--drive", stick, "--json", *limit).document["files_proven"] == 5
    assert {path: path.lstat().st_mtime_ns for path in stick.rglob("*")} == before


def test_a_run_that_finds_nothing_new_does_not_load_what_carries_and_reads_headers(computer, stick):
    slow_to_load = {
        "transfer.engine.copy.rounds",
        "manifests.frames.inspection",
        "manifests.bags.summary",
        "transfer.engine.program",
    }

    def loaded():
        ran = computer.command("send", "--drive", stick, environ={"PYTHONPROFILEIMPORTTIME": "1"})
        assert ran.exit == 0
        return {line.rpartition("|")[2].strip() for line in ran.err.splitlines()}

    assert {"transfer.engine.copy.rounds", "manifests.frames.inspection"} <= loaded()
    assert slow_to_load & loaded() == set()


def test_a_drive_that_left_is_not_answered_for(computer, stick):
    for _ in range(3):
        computer.command("send", "--drive", stick)
    stick.rename(stick.parent / "pulled")
    assert computer.command("send", "--drive", stick).exit == 3


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux takes such names")
def test_what_is_piped_has_no_control_characters(computer, stick):
    computer.log("escape\x1b[31mred\a.log")
    computer.log("two\nlines.log")
    computer.log("not \udcff unicode.log")
    for words in (("send", "--drive", stick), ("plan", "--drive", stick), ("check", stick)):
        ran = run(*words) if words[0] == "check" else computer.command(*words)
        assert printable(ran.out), words
        assert printable(ran.err), words
        assert ran.out


@pytest.mark.parametrize("coding", ["ascii", "cp1252", "utf-8"])
def test_a_name_that_the_output_cannot_show_ends_no_run(computer, stick, coding):
    computer.frame("H\u03b1 \u2603.fits", b"no frame")
    ran = subprocess.run(
        command_line("send", "--drive", stick, "--config", computer.file),
        capture_output=True,
        env=os.environ | {"PYTHONIOENCODING": coding, "PYTHONUTF8": "0"},
        check=False,
    )
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert b"SAFE ON " in ran.stdout


@pytest.mark.parametrize("limit", [(), ("--time-limit", "5m")])
def test_output_that_nobody_reads_ends_no_run(computer, stick, limit):
    program = subprocess.Popen(
        command_line("send", "--drive", stick, "--config", computer.file, *limit),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    program.stdout.close()
    assert (program.stderr.read(), program.wait()) == (b"", 0)
    program.stderr.close()
    assert_valid(stick / NIGHT.isoformat())


# Which nights


@pytest.mark.parametrize(
    ("words", "nights"),
    [
        ((), ["2026-03-01", "2026-03-10", "2026-03-14"]),
        (("--night", "2026-03-10"), ["2026-03-10"]),
        (("--night", "2026-03-10", "--night", "2026-03-01"), ["2026-03-01", "2026-03-10"]),
        (("--since", "2026-03-10"), ["2026-03-10", "2026-03-14"]),
        (("--all",), ["2026-03-01", "2026-03-10", "2026-03-14"]),
    ],
)
def test_options_say_which_nights(computer, stick, words, nights):
    computer.frame("older.fits", begun="2026-03-10T23:00:00")
    computer.frame("oldest.fits", begun="2026-03-01T23:00:00")
    assert computer.command("send", "--drive", stick, *words).exit == 0
    assert sorted(path.name for path in stick.iterdir() if path.is_dir()) == nights


def test_several_drives_may_be_named(computer, stick, tmp_path):
    card = prepared(tmp_path / "card", "Card")
    ran = computer.command("send", "--drive", stick, "--drive", card, "--json")
    assert [(night["drive"], night["proven"]) for night in ran.document["nights"]] == [
        ("Field stick", 5),
        ("Card", 5),
    ]


# What is wrong


def here(*words):
    """Run the command in this process, which keeps its own ways with signals."""
    handlers = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        return CliRunner().invoke(main, list(map(str, words)))
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)


@pytest.mark.parametrize("as_json", [False, True])
@pytest.mark.parametrize(
    ("wrong", "words", "exit_code", "told"),
    [
        ("no configuration", ("--config", "/nowhere/nightferry.toml"), 2, "no such file"),
        ("no such drive", ("--drive", "/nowhere"), 3, "no such folder"),
        ("a folder that is no drive", ("--drive", "."), 3, "not a prepared drive"),
        ("a length of time that is none", ("--time-limit", "soon"), 2, "no length of time"),
        ("a date that is none", ("--night", "2026-02-30"), 2, "2026-02-30"),
        ("a date that is none", ("--since", "tomorrow"), 2, "tomorrow"),
        ("an option that is none", ("--verify",), 2, "--verify"),
        ("an argument that is none", ("everything",), 2, "everything"),
    ],
)
def test_each_error_has_its_exit_code_and_says_what_happened(
    computer, wrong, words, exit_code, told, as_json
):
    config = () if "--config" in words else ("--config", computer.file)
    ran = here("send", *words, *config, *(("--json",) if as_json else ()))
    assert ran.exit_code == exit_code
    assert "Traceback" not in ran.output
    if as_json:
        document = json.loads(ran.stdout)
        assert (document["exit"], ran.stderr) == (exit_code, "")
        assert document.keys() >= COMMON
        assert told in document["message"]
    else:
        assert ran.stdout == ""
        assert told in ran.stderr


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[site\n", "not TOML"),
        ('[site]\nlongitude = "1.9 W"\n', "write -1.9, without quotes"),
        ("[site]\nlongitude = 1.9 W\n", "longitude = -1.9"),
        ('[[sorce]]\nname = "frames"\n', "did you mean"),
        ('[[source]]\nname = "frames"\n', "folder is missing"),
        ("", "names no source"),
    ],
)
def test_a_configuration_that_says_what_it_cannot_mean_ends_with_2(computer, stick, text, told):
    computer.file.write_text(text, encoding="utf-8")
    words = ("send", "--drive", stick, "--config", computer.file)
    ran = here(*words)
    assert (ran.exit_code, ran.stdout) == (2, "")
    assert str(computer.file) in ran.stderr
    assert told in ran.stderr
    as_json = here(*words, "--json")
    document = json.loads(as_json.stdout)
    assert (as_json.exit_code, document["exit"], document["safe_to_pull"]) == (2, 2, False)
    assert document.keys() >= OF_SEND


def test_without_a_configuration_anywhere_it_says_how_to_get_one(tmp_path):
    environ = {"HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path), "NIGHTFERRY_CONFIG": ""}
    ran = run("send", environ=environ | {"PYTHONPATH": str(Path.cwd())}, cwd=tmp_path)
    assert ran.exit == 2
    assert "nightferry setup" in ran.err


def test_no_drive_that_the_configuration_names_is_there(computer):
    computer.drives = ['name = "No such stick anywhere"']
    computer.configure()
    ran = computer.command("send")
    assert (ran.exit, ran.out) == (3, "")
    assert "No such stick anywhere" in ran.err


def test_without_a_drive_it_says_what_waits_and_which_drives_are_not_there(computer):
    computer.drives = ['name = "No such stick anywhere"']
    computer.configure()
    document = computer.command("send", "--json").document
    assert (document["files_unproven"], document["files_left_behind"]) == (5, 5)
    assert document["nights_left_behind"] == [NIGHT.isoformat()]
    assert document["drives_absent"] == ["No such stick anywhere"]
    assert "5 files of 1 night (2026-03-14)" in " ".join(computer.command("send").err.split())


def test_a_misspelt_key_says_first_that_nothing_was_sent(computer, stick):
    computer.more = "[clear]\ncopis = 2\n"
    computer.configure()
    ran = computer.command("send", "--drive", stick)
    assert (ran.exit, ran.err.splitlines()[0]) == (2, "NOTHING WAS SENT.")
    told = computer.command("send", "--drive", stick, "--json").document
    assert (told["safe_to_pull"], told["files_unproven"]) == (False, None)


def test_a_drive_that_is_not_there_is_told_first_and_within_the_screen(computer, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    computer.drives = ["name = 'A stick that nobody has'"]
    computer.configure()
    ran = computer.command("send")
    assert ran.exit == 3
    first, *rest = ran.err.splitlines()
    assert first == "NOTHING WAS SENT."
    assert rest[0].startswith("nightferry send: ")
    assert max(map(len, rest)) <= 80


def test_the_configured_time_limit_holds(computer, stick):
    computer.more = '[send]\ntime_limit = "5m"\n'
    computer.configure()
    assert computer.command("send", "--drive", stick).exit == 0
    assert_valid(stick / NIGHT.isoformat())


def test_a_launcher_that_closed_the_standard_streams_gets_its_night_carried(tmp_path):
    computer = Computer(tmp_path / "night")
    computer.small_night()
    stick = prepared(tmp_path / "stick")
    words = command_line("send", "--config", computer.file, "--drive", stick)
    closed = subprocess.run(["sh", "-c", '"$@" <&- >&- 2>&-', "sh", *words], check=False)
    assert closed.returncode == 0
    assert_valid(stick / NIGHT.isoformat())
