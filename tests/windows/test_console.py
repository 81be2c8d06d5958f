"""Windows' command line: exit codes in a batch file, code pages, Ctrl-C and Ctrl-Break."""

from __future__ import annotations

import os
import pty
import re
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.nights import Computer, assert_valid, fits, noise, prepared
from tests.windows.rig import Rig

_SEND = ("send", "--drive", "E:\\", "--json")
GREEK = "NGC 4565/Hα/licht ü.fits"
_README = Path(__file__).parents[2].joinpath("README.md").read_text(encoding="utf-8")
_INSTALLING, _PREPARING, _BATCH, _TASK, _AT_THE_DESK = re.findall(r"```bat\n(.*?)```", _README, re.DOTALL)


@pytest.fixture
def computer(rig: Rig) -> Computer:
    made = Computer(rig.root("d") / "imaging")
    made.small_night()
    return made


@pytest.fixture
def stick(rig: Rig):
    with rig.volume("e", "exfat", 128) as made:
        prepared(made.path)
        yield made


def test_the_batch_file_of_the_readme_goes_on_as_the_exit_code_says(rig, computer, stick):
    config = {"NIGHTFERRY_CONFIG": "D:\\imaging\\nightferry.toml"}
    sent = rig.batch(_BATCH, config)
    assert (sent.exit, "Exit code 0: the first line" in sent.out) == (0, True), sent.out + sent.err
    wrong = rig.batch(_BATCH, {"NIGHTFERRY_CONFIG": "D:\\none.toml"})
    assert (wrong.exit, "Not everything is proven" in wrong.out) == (2, True)
    stick.unmount()
    assert rig.batch(_BATCH, config).exit == 3
    stick.mount_again()
    computer.frame("M 51/Ha/light 3.fits", data=noise(64))
    stopped = rig.batch(_BATCH.replace("30m", "0.001s"), config)
    assert (stopped.exit, "Not everything is proven" in stopped.out) == (6, True)
    assert rig.batch(_BATCH, config).exit == 0
    assert_valid(stick.path / "2026-03-14")


def test_what_the_readme_has_typed_is_run_as_it_stands(rig, stick):
    frames = rig.user_folder / "Night frames"
    frames.mkdir()
    (frames / "light 1.fits").write_bytes(fits())
    first, *typed = _INSTALLING.splitlines()
    assert first == "python -m pip install C:\\nightferry"  # make_rig.sh installs so, from elsewhere
    for line in (*typed, *_PREPARING.splitlines()):
        ran = rig.batch(f"@{line}\n")
        # The rig's clock is at UTC, which says nothing of where it stands: `plan` points at the longitude.
        assert ran.exit == ("plan" in line), line + ran.out + ran.err
    # As the task scheduler starts it: by its whole path, from the system's own folder.
    sent = rig.batch(_BATCH, cwd=rig.home / "prefix/drive_c/windows/system32")
    assert (sent.exit, "Exit code 0: the first line" in sent.out) == (0, True), sent.out + sent.err
    _type_what_it_has_at_the_desk(rig)


def _type_what_it_has_at_the_desk(rig):
    assert rig.batch("@mkdir D:\\Archive\n").exit == 0
    with (rig.user_folder / "AppData/Roaming/nightferry/nightferry.toml").open("a") as file:
        file.write("[archive]\nfolder = 'D:\\Archive'\n")
    for line in _AT_THE_DESK.splitlines():
        ran = rig.batch(f"@{line}\n")
        assert ran.exit == 0, line + ran.out + ran.err


def test_the_task_of_the_readme_starts_the_batch_file_that_it_names(rig):
    # Wine's schtasks makes tasks of descriptions in XML alone; the words: Microsoft, "schtasks create".
    words = shlex.split(_TASK, posix=False)
    assert words[:2] == ["schtasks", "/Create"]
    assert dict(zip(words[2::2], words[3::2], strict=True)) == {
        "/TN": '"nightferry at dawn"',
        "/TR": "C:\\nightferry\\night.bat",
        "/SC": "DAILY",
        "/ST": "08:00",
    }
    assert f"Save this as `{words[words.index('/TR') + 1]}`" in _README
    assert rig.batch(f"@{_TASK}").exit == 1, "Wine can make such a task by now: try it"


def on_a_terminal(
    rig: Rig, command: list[str], watch: Callable[[bytes, int], None] = lambda _said, _terminal: None
) -> tuple[int, str]:
    """Run a program of Windows on a terminal; return its exit code and what it drew."""
    said = bytearray()

    def read(terminal: int) -> bytes:
        part = os.read(terminal, 4096)
        said.extend(part)
        watch(bytes(said), terminal)
        return part

    child, terminal = pty.fork()
    if child == 0:
        os.environ.clear()
        os.environ.update(rig.environment())
        os.execvp("sh", ["sh", "-c", "stty cols 100 rows 40; exec " + shlex.join(command)])
    try:
        while True:
            read(terminal)
    except OSError:  # its other end was closed
        pass
    finally:
        os.close(terminal)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), said.decode("utf-8", "replace")


@pytest.mark.parametrize("page", ["437", "1252"])
def test_names_are_shown_on_a_console_of_any_code_page(rig, computer, stick, page):
    computer.frame(GREEK, target="NGC 4565", data=noise(100))
    assert rig.run("send", "--drive", "e:", "--config", computer.file).exit == 0
    with (stick.path / "2026-03-14/data/frames" / GREEK).open("r+b") as file:
        file.write(b"x")
    console = f"import ctypes, subprocess, sys; ctypes.windll.kernel32.SetConsoleOutputCP({page});"
    command = rig.python("-c", f"{console} sys.exit(subprocess.call(sys.argv[1:]))")
    code, drawn = on_a_terminal(rig, command + rig.nightferry("check", "e:")[1:])
    assert (code, "Hα" in drawn, "licht ü.fits" in drawn) == (1, True, True), drawn


@pytest.mark.parametrize("encoding", ["cp437", "cp1252", ""])
def test_a_name_that_a_pipe_cannot_take_is_spelt_out_and_ends_nothing(rig, computer, stick, encoding):
    computer.frame(GREEK, target="NGC 4565", data=noise(100))
    assert rig.run("send", "--drive", "e:", "--config", computer.file).exit == 0
    with (stick.path / "2026-03-14/data/frames" / GREEK).open("r+b") as file:
        file.write(b"x")
    ran = rig.run("check", "e:", environ={"PYTHONIOENCODING": encoding} if encoding else None)
    assert (ran.exit, ran.err) == (1, "")
    assert "NGC 4565" in ran.out


def test_ctrl_c_ends_a_run_in_order(rig, computer, stick):
    computer.frame("large.fits", data=noise(60 << 20))
    stick.throttle(8 << 20, 0)
    pressed = []

    def press(said: bytes, terminal: int) -> None:
        if b"copying" in said and not pressed:
            pressed.append(os.write(terminal, b"\x03"))

    command = rig.nightferry("send", "--drive", "E:\\", "--config", computer.file)
    code, drawn = on_a_terminal(rig, command, press)
    assert (code, "Ended early: signal SIGINT" in " ".join(drawn.split())) == (6, True), drawn
    stick.throttle(0, 0)
    assert rig.run("send", "--drive", "e:", "--config", computer.file).exit == 0
    assert_valid(stick.path / "2026-03-14")


def test_the_signal_of_ctrl_break_and_of_a_console_that_is_closed_ends_a_run_in_order(rig, computer, stick):
    # Wine has no console here that could send the event: the run raises the signal itself.
    computer.frames_of(24, 1 << 20)  # far more than is carried by then
    ran = rig.let_go(rig.at_a_call("break", 150, *_SEND, "--config", computer.file))
    assert (ran.exit, "signal SIGBREAK" in ran.document["message"]) == (6, True), ran.out + ran.err
    assert rig.run("send", "--drive", "e:", "--config", computer.file).exit == 0
    assert_valid(stick.path / "2026-03-14")
