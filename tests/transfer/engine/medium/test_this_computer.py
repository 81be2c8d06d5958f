"""Which system's class is taken."""

import os
import sys

import pytest

from transfer.engine.medium import base, this_computer
from transfer.engine.medium.base import write_all
from transfer.engine.medium.windows import medium as windows
from transfer.engine.medium.windows.medium import WindowsMedium


@pytest.mark.skipif(sys.platform == "win32", reason="loads what only POSIX has")
def test_each_system_gets_its_own_class(monkeypatch):
    monkeypatch.setattr(windows, "SystemCalls", lambda: "no calls are made")
    for platform, name in (("win32", "WindowsMedium"), ("darwin", "MacMedium"), ("linux", "LinuxMedium")):
        monkeypatch.setattr(sys, "platform", platform)
        medium = this_computer()
        monkeypatch.undo()
        monkeypatch.setattr(windows, "SystemCalls", lambda: "no calls are made")
        assert type(medium).__name__ == name


def test_windows_asks_the_system_itself_unless_it_is_told_otherwise(monkeypatch):
    made = []
    monkeypatch.setattr(windows, "SystemCalls", lambda: made.append("calls") or "calls")
    WindowsMedium()
    assert made == ["calls"]
    WindowsMedium("recorded answers")
    assert made == ["calls"]


def test_short_writes_are_gone_on_with_and_a_write_of_nothing_is_an_error(monkeypatch, tmp_path):
    taken, content = [], b"a frame of more than one write"

    def short(descriptor, block):
        taken.append(bytes(block[:7]))
        return len(taken[-1])

    monkeypatch.setattr(base.os, "write", short)
    write_all(99, content)
    assert b"".join(taken) == content
    monkeypatch.setattr(base.os, "write", lambda descriptor, block: 0)
    with pytest.raises(OSError, match="wrote nothing"):
        write_all(99, content)
    monkeypatch.setattr(base.os, "write", os.write)
    write_all(99, b"")  # nothing to write asks nothing of the system
