"""A program at a terminal of its own: what it shows is read until it ends, and answered meanwhile."""

from __future__ import annotations

import os
from collections.abc import Callable


def until_it_ends(process: int, terminal: int, answer: Callable[[bytes], None]) -> tuple[int, str]:
    """Read what a program shows, and tell `answer` all of it so far each time; return its exit code and text.

    POSIX only: `process` and `terminal` are what pty.fork() gives. Both are let go of.
    """
    shown = b""
    while True:
        try:
            came = os.read(terminal, 4096)
        except OSError:  # what Linux says when the program has ended
            break
        if not came:
            break
        shown += came
        answer(shown)
    os.close(terminal)
    return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]), shown.decode()
