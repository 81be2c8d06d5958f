"""Run on Windows: hold a file as another program does, until standard input ends.

    python hold.py written|alone|locked FILE

`written`: open for writing, as a log is; others may read. `alone`: shared with nobody. `locked`: its first
bytes are locked, so that no read of them succeeds.
"""

from __future__ import annotations

import ctypes
import os
import sys
from typing import Any

_SHARE = {"written": 7, "alone": 0, "locked": 7}  # of CreateFileW: nobody, or readers, writers and removers
_kernel: Any = ctypes.WinDLL("kernel32")  # type: ignore[attr-defined, unused-ignore]
_kernel.CreateFileW.restype = ctypes.c_void_p


def main() -> None:
    """Hold it."""
    how, path = sys.argv[1:]
    handle = _kernel.CreateFileW(ctypes.c_wchar_p(path), 0xC0000000, _SHARE[how], None, 3, 0, None)
    if handle == ctypes.c_void_p(-1).value:
        sys.exit("it cannot be opened")
    if how == "locked" and not _kernel.LockFile(ctypes.c_void_p(handle), 0, 0, 100, 0):
        sys.exit("it cannot be locked")
    os.write(2, b"HELD\n")
    while os.read(0, 1):
        pass


if __name__ == "__main__":
    main()
