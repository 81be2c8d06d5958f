"""What ends a run without a name of its own: what the system did is named, all else is a fault of ours."""

from __future__ import annotations

import errno
import os
import sys
import threading

import pytest

from transfer.engine.unforeseen import unforeseen
from transfer.errors import DriveFailed, ExitCode, NightferryError, NotThere, Unforeseen


@pytest.mark.parametrize("code", [errno.ENOTCONN, errno.ENODEV, errno.ESTALE])
def test_a_disk_that_has_left_is_named(code: int) -> None:
    ended = unforeseen(OSError(code, os.strerror(code), "/archive/index.sqlite"))
    assert isinstance(ended, NotThere)
    assert ended.path == "/archive/index.sqlite"
    assert "The disk or share has left" in str(ended)
    assert "mount it again" in str(ended)


def test_another_error_of_the_system_says_what_it_said_and_where() -> None:
    ended = unforeseen(PermissionError(errno.EACCES, "Permission denied", "/archive"))
    assert isinstance(ended, DriveFailed)
    assert str(ended).startswith("/archive: It cannot be used (Permission denied).")
    assert unforeseen(OSError(errno.EIO, "Input/output error"), "/stick").path == "/stick"


@pytest.mark.skipif(sys.platform == "win32", reason="Windows takes no size of a stack that it cannot give")
def test_a_thread_that_cannot_be_started_is_the_systems_doing() -> None:
    before = threading.stack_size(1 << 46)  # more than any system gives: what CPython says of it is its own
    try:
        with pytest.raises(RuntimeError) as refused:
            threading.Thread(target=print).start()
    finally:
        threading.stack_size(before)
    ended = unforeseen(refused.value)
    assert not isinstance(ended, Unforeseen)
    assert "no further thread" in ended.happened


def test_memory_that_runs_out_is_named() -> None:
    ended = unforeseen(MemoryError())
    assert (type(ended), ended.exit_code) == (NightferryError, ExitCode.SOMETHING_UNPROVEN)
    assert "no memory left" in ended.happened


def test_the_rest_is_a_fault_in_the_program() -> None:
    fault = KeyError("nobody thought of it")
    ended = unforeseen(fault)
    assert isinstance(ended, Unforeseen)
    assert "does not know (KeyError" in ended.happened
    assert ended.__cause__ is fault
    assert isinstance(unforeseen(RuntimeError("another one")), Unforeseen)
