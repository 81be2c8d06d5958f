"""A program of the person's own: told a line without a shell, in bounded time, harmlessly."""

import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from transfer.engine.program import plain, tell_and_wait, tell_program

WRITES = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(repr(sys.argv[2:]))"


def test_the_line_is_one_word_and_no_shell_reads_it(tmp_path):
    said = tmp_path / "said"
    line = "Drive 'a'; rm -rf / && $(touch x) `touch y` | \"z\" %PATH% ^ > < \n gone."
    tell_and_wait([sys.executable, "-c", WRITES, str(said), "{line}", "[{line}]"], line)
    first, second = eval(said.read_text())
    assert second == f"[{first}]"
    assert first.startswith("Drive  a ; rm -rf /")
    assert not set(first) & set("'\"&|$`%^<>\n!*?{}~#\\")
    assert [path.name for path in tmp_path.iterdir()] == ["said"]


@given(st.text())
def test_no_line_begins_an_option_or_has_a_sign_that_a_shell_reads(line):
    said = plain(line)
    assert not said.startswith("-")
    assert not set(said) & set("'\"&|$`%^<>\n\r\0!*?{}[]~#\\")
    assert len(said) <= 300


@pytest.mark.parametrize("command", [["/nowhere/program", "{line}"], [".", "{line}"], []])
def test_a_program_that_cannot_run_harms_nothing(command):
    tell_and_wait(command, "gone")


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_a_program_that_does_not_end_is_ended(tmp_path):
    said = tmp_path / "its process"
    waits = "import os, sys, time; open(sys.argv[1], 'w').write(str(os.getpid())); time.sleep(600)"
    thread = tell_program([sys.executable, "-c", waits, str(said), "{line}"], "gone", at_most_s=3)
    thread.join(60)
    assert not thread.is_alive()
    assert not Path("/proc", said.read_text()).exists()
