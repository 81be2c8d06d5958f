"""Run on Windows: a command of nightferry, counted, ended or held at one of its calls of the system.

    python at_a_call.py calls|count|kill|hold|break[@CALL] NUMBER WORD…

`calls` prints, when the command has ended, how often it made each call, those of Python's own that open a
file or look at one among them, and `open_source`, the opening of a file of the sources. `count` prints how
many moments it had: one before each call, one behind it; where a CALL is named (as `hold@remove_opened`),
those of it alone. At moment NUMBER `kill` ends the process as Windows ends one that is killed, `break` raises
the signal that Ctrl-Break becomes, and `hold` says HELD on standard error and goes on when standard input
ends.
"""

from __future__ import annotations

import atexit
import ctypes
import json
import os
import signal
import sys
import threading
from collections import Counter
from collections.abc import Callable
from typing import Any

from transfer.engine.medium.windows.calls import SystemCalls
from transfer.engine.medium.windows.medium import WindowsMedium
from transfer.stop import Stop

_HEARS_WITHIN_S = 30.0
_CALLS = (
    *("open", "open_in", "flush", "move", "make_folder", "remove", "read", "close"),
    *("set_modified", "names", "stat", "remove_opened", "remove_folder"),
)
_write = os.write
_signals: Any = signal  # what only Windows has of this module has types only there
_kernel: Any = ctypes.WinDLL("kernel32")  # type: ignore[attr-defined, unused-ignore]
_kernel.TerminateProcess.argtypes = (ctypes.c_void_p, ctypes.c_uint)


class Moments:
    """Counts moments, two for each call, and acts at one."""

    def __init__(self, act: Callable[[], None] | None, number: int) -> None:
        self._act, self._number = act, number
        self._lock = threading.Lock()
        self.count = 0

    def pass_one(self) -> None:
        """Take note of a moment."""
        with self._lock:
            self.count += 1
            if self.count == self._number and self._act is not None:
                self._act()

    def around(self, call: Callable[..., Any]) -> Callable[..., Any]:
        """Return the same call with a moment before and one behind it."""

        def noticed(*arguments: Any, **more: Any) -> Any:
            self.pass_one()
            result = call(*arguments, **more)
            self.pass_one()
            return result

        return noticed


def _kill() -> None:
    _kernel.TerminateProcess(ctypes.c_void_p(-1), 99)


def _hold() -> None:
    _write(2, b"HELD\n")
    while os.read(0, 1):
        pass


def _break() -> None:
    """Raise the signal, and hold the call until the run has heard of it: the main thread waits for others."""
    heard, ask = threading.Event(), Stop.ask

    def ask_and_say(stop: Stop, why: str) -> None:
        ask(stop, why)
        heard.set()

    Stop.ask = ask_and_say  # type: ignore[method-assign]
    signal.raise_signal(_signals.SIGBREAK)
    heard.wait(_HEARS_WITHIN_S)


def _count_each() -> None:
    made: Counter[str] = Counter()

    def counting(name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*arguments: Any, **more: Any) -> Any:
            made[name] += 1
            return call(*arguments, **more)

        return counted

    for name in [each for each in vars(SystemCalls) if not each.startswith("_")]:
        setattr(SystemCalls, name, counting(name, getattr(SystemCalls, name)))
    for name in ("open", "stat", "lstat", "fstat"):
        setattr(os, name, counting(f"os.{name}", getattr(os, name)))
    WindowsMedium.open_source = counting("open_source", WindowsMedium.open_source)  # type: ignore[method-assign]
    atexit.register(lambda: _write(2, f"CALLS {json.dumps(made)}\n".encode()))


def _act_at_a_moment(mode: str, call: str, number: int) -> None:
    moments = Moments({"count": None, "kill": _kill, "hold": _hold, "break": _break}[mode], number)
    for name in [call] if call else _CALLS:
        setattr(SystemCalls, name, moments.around(getattr(SystemCalls, name)))
    if mode == "count":
        atexit.register(lambda: _write(2, f"CALLS {moments.count}\n".encode()))
    if not call:
        os.write = moments.around(_write)


def main() -> None:
    """Run the command."""
    (mode, _, call), number, words = sys.argv[1].partition("@"), int(sys.argv[2]), sys.argv[3:]
    if mode == "calls":
        _count_each()
    else:
        _act_at_a_moment(mode, call, number)
    from transfer.cli.main import main as nightferry

    nightferry(words, prog_name="nightferry")


if __name__ == "__main__":
    main()
