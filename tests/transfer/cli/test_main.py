"""The command itself: light to start, the same by both names, and never a traceback."""

import os
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.support.nights import NIGHT, assert_valid, command_line, run
from transfer.cli.main import main
from transfer.errors import ExitCode

ROOT = Path(__file__).parents[3]
HEAVY = {"astropy", "numpy", "erfa"}


def loaded_by(*words):
    """Run a command in a fresh interpreter; return the top-level modules it loaded, and its exit code."""
    program = (
        "import sys\nfrom transfer.cli.main import main\n"
        "try:\n    main(sys.argv[1:])\n"
        "except SystemExit as ended:\n"
        "    print('\\n'.join({name.partition('.')[0] for name in sys.modules}), file=sys.stderr)\n"
        "    raise\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program, *map(str, words)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    return set(ran.stderr.split()), ran.returncode


@pytest.mark.parametrize("words", [("--help",), ("--version",), ("send", "--help"), ("check", "--help")])
def test_help_is_light(words):
    modules, code = loaded_by(*words)
    assert code == 0
    assert not modules & HEAVY


def test_a_night_of_plain_frames_and_logs_needs_no_astronomy_library(computer, stick):
    modules, code = loaded_by("send", "--drive", stick, "--config", computer.file)
    assert code == 0
    assert not modules & HEAVY
    assert_valid(stick / NIGHT.isoformat())


def test_the_module_is_the_command():
    by_module = run("--help")
    program = Path(sysconfig.get_path("scripts")) / ("nightferry.exe" if os.name == "nt" else "nightferry")
    by_name = subprocess.run([program, "--help"], capture_output=True, text=True, check=True)
    assert by_module.exit == 0
    assert by_module.out.replace("python -m transfer", "nightferry") == by_name.stdout


def test_help_tells_every_exit_code():
    told = CliRunner().invoke(main, ["--help"]).output
    for code in ExitCode:
        assert f"  {int(code)}  " in told


def test_no_command_is_a_wrong_use():
    assert run().exit == 2


def test_a_fault_in_the_program_is_told_in_one_line(computer, stick, monkeypatch):
    def fault(*_args, **_more):
        raise KeyError("something nobody thought of")

    monkeypatch.setattr("transfer.cli.plan.preview", fault)
    for words, as_json in ((["plan"], False), (["plan", "--json"], True)):
        ran = CliRunner().invoke(main, [*words, "--drive", str(stick), "--config", str(computer.file)])
        assert ran.exit_code == ExitCode.SOMETHING_UNPROVEN
        assert "something nobody thought of" in (ran.stdout if as_json else ran.stderr)
        assert "Traceback" not in ran.output


@pytest.mark.skipif(os.name == "nt", reason="a pipe that nobody reads is told otherwise there")
@pytest.mark.parametrize("words", [["check"], ["plan", "--drive"], ["file"]])
def test_where_nobody_reads_the_exit_code_still_tells_what_came_of_it(computer, stick, tmp_path, words):
    computer.small_night()
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    (tmp_path / "archive").mkdir(exist_ok=True)
    computer.more = f"[archive]\nfolder = '{tmp_path / 'archive'}'\n"
    computer.configure()
    read_end, write_end = os.pipe()
    os.close(read_end)
    command = command_line(*words, stick, "--config", computer.file)
    ran = subprocess.run(command, stdout=write_end, stderr=subprocess.PIPE, check=False)
    os.close(write_end)
    assert (ran.returncode, ran.stderr.decode()) == (0, "")
