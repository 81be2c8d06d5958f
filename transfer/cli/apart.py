"""A process of its own for a run with a time limit, so that a device that hangs cannot hold the caller.

A system call that waits for a dead device cannot be ended, and a process cannot either while one of its
threads is in it. So a child does the work; the parent, which never touches a drive, leaves with the
child's exit code as soon as the child has said it.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import time
from collections.abc import Callable

_LINGER_S = 2.0
_LOOK_S = 0.05
# Windows has no SIGHUP, and never comes this far.
_PASSED_ON = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


def run_apart(work: Callable[[], int]) -> int:
    """Do the work in a child and give its exit code; in this process where the system has no fork."""
    if not hasattr(os, "fork"):
        return work()
    read_end, write_end = os.pipe()
    # A signal that comes before the parent can pass it on waits until it can.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _PASSED_ON)
    child = os.fork()
    if child == 0:
        os.close(read_end)
        _leave_the_callers_group()
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        _work_and_say(work, write_end)
    os.close(write_end)
    _pass_signals_on(child)
    signal.pthread_sigmask(signal.SIG_SETMASK, before)
    return _exit_code(child, read_end)


def _work_and_say(work: Callable[[], int], write_end: int) -> None:
    """Work, say the exit code, and be gone without waiting for any thread."""
    code = 1
    try:
        code = work()
    except SystemExit as error:
        code = error.code if isinstance(error.code, int) else 1
    except BaseException:  # noqa: BLE001 - the traceback of a fault in the program itself, as Python shows it
        sys.excepthook(*sys.exc_info())
    finally:
        with contextlib.suppress(OSError, ValueError):  # nobody may be reading any more
            sys.stdout.flush()
            sys.stderr.flush()
        _let_go_of_the_callers_pipes()
        os.write(write_end, bytes([code & 0xFF]))
        os._exit(code)


def _let_go_of_the_callers_pipes() -> None:
    """Close the output: a caller that reads it to its end must not wait for a child that hangs."""
    null = os.open(os.devnull, os.O_RDWR)
    for descriptor in (0, 1, 2):
        os.dup2(null, descriptor)


def _leave_the_callers_group() -> None:
    """Be alone: what a terminal sends to the caller's group then comes once, passed on by the parent."""
    with contextlib.suppress(OSError):
        os.setpgid(0, 0)
    # Out of its group a child may be stopped for what it writes to the terminal.
    signal.signal(signal.SIGTTOU, signal.SIG_IGN)


def _pass_signals_on(child: int) -> None:
    def pass_on(number: int, _frame: object) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, number)

    for number in _PASSED_ON:
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, pass_on)


def _exit_code(child: int, read_end: int) -> int:
    said = os.read(read_end, 1)
    if not said:
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        return code if code >= 0 else 128 - code  # as a shell tells a signal
    until = time.monotonic() + _LINGER_S
    while time.monotonic() < until and os.waitpid(child, os.WNOHANG)[0] == 0:
        time.sleep(_LOOK_S)
    return said[0]
