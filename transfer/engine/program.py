"""A program of the person's own, told a line: without a shell, in bounded time, and whatever comes of it."""

from __future__ import annotations

import contextlib
import re
import subprocess
import threading
from collections.abc import Sequence

_AT_MOST_S = 30.0
PLACEHOLDER = "{line}"
# A drive's name is in the line, and a drive may be anybody's: no sign in it may mean anything to a program
# that hands the line on to a shell.
_NOT_PLAIN = re.compile(r"[^\w .,:;()+/-]")


def tell_program(command: Sequence[str], line: str, at_most_s: float = _AT_MOST_S) -> threading.Thread | None:
    """Start the program with the line in the place of `{line}`, and wait for it in a thread; never raises.

    Its output goes nowhere. It is ended where it takes longer than `at_most_s`. Return the thread; None
    where there is no program.
    """
    if not command:
        return None
    words = [word.replace(PLACEHOLDER, plain(line)) for word in command]
    thread = threading.Thread(target=_run, args=(words, at_most_s), name="tell", daemon=True)
    thread.start()
    return thread


def tell_and_wait(command: Sequence[str], line: str) -> None:
    """Tell the program as the last act of a run, which would else end it."""
    thread = tell_program(command, line)
    if thread is not None:
        thread.join(_AT_MOST_S + 1)


def plain(line: str) -> str:
    """Return a line of letters, digits and plain punctuation, at most 300 characters, begun by no dash."""
    return _NOT_PLAIN.sub(" ", line).lstrip("- ")[:300]


def _run(words: list[str], at_most_s: float) -> None:
    with contextlib.suppress(OSError, ValueError, subprocess.SubprocessError):
        quiet = subprocess.DEVNULL
        # The person's own program, from the person's own configuration.
        subprocess.run(words, stdin=quiet, stdout=quiet, stderr=quiet, timeout=at_most_s, check=False)  # noqa: S603
