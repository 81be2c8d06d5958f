"""Run on Windows: hold a file as another program does, until standard input ends.

    python hold.py written|alone FILE

`written`: open for writing, as a log is; others may read. `alone`: shared with nobody. (A lock on some of a
file's bytes, which Windows holds every reader to, is not kept from readers by Wine.)
"""

from __future__ import annotations

import ctypes
import os
import sys
from typing import Any

_SHARE = {"written": 7, "alone": 0}  # of CreateFileW: nobody, or readers, writers and removers
_kernel: Any = ctypes.WinDLL("kernel32")  # type: ignore[attr-defined, unused-ignore]
_kernel.CreateFileW.restype = ctypes.c_void_p


def main() -> None:
    """Hold it."""
    how, path = sys.argv[1:]
    handle = _kernel.CreateFileW(ctypes.c_wchar_p(path), 0xC0000000, _SHARE[how], None, 3, 0, None)
    if handle == ctypes.c_void_p(-1).value:
        sys.exit("it cannot be opened")
    os.write(2, b"HELD\n")
    while os.read(0, 1):
        pass


if __name__ == "__main__":
    main()
