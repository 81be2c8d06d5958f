"""Whether a process is at work, asked of the system that runs the tests."""

from __future__ import annotations

import ctypes
import sys
from pathlib import Path

if sys.platform == "win32":
    _TO_WAIT_FOR = 0x00100000  # SYNCHRONIZE
    _STILL_AT_WORK = 0x102  # WAIT_TIMEOUT

    def is_at_work(pid: int) -> bool:
        """Return whether a process has not ended yet."""
        system = ctypes.WinDLL("kernel32")
        handle = system.OpenProcess(_TO_WAIT_FOR, False, pid)
        if not handle:
            return False
        try:
            return bool(system.WaitForSingleObject(handle, 0) == _STILL_AT_WORK)
        finally:
            system.CloseHandle(handle)

else:

    def is_at_work(pid: int) -> bool:
        """Return whether a process has not ended yet; who collects orphans may be slow."""
        try:
            return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
        except OSError:
            return False
