"""Real interactive shells on a terminal of a test's own: keys go in, the line that is edited comes out."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import subprocess
import termios
import time
from pathlib import Path
from typing import Self

_DEADLINE_S = 60.0
_KEY = "\x07"  # Ctrl-G: bound in each shell to what shows the line

# How each is started without anybody's settings, told to show its line, and given the program's completion.
_STARTED = {
    "bash": ("bash", "--noprofile", "--norc", "-i"),
    "zsh": ("zsh", "-f", "-i"),
    "fish": ("fish", "--no-config", "-i"),
}
_SHOWS_ITS_LINE = {
    "bash": """bind -x '"\\C-g": printf "%s" "$READLINE_LINE" > "$SHOWN.part"; mv "$SHOWN.part" "$SHOWN"'""",
    "zsh": "autoload -Uz compinit && compinit -D -u\n"
    'show() { printf "%s" "$BUFFER" > "$SHOWN.part"; mv "$SHOWN.part" "$SHOWN" }\n'
    "zle -N show; bindkey '^G' show",
    "fish": "function show; commandline | string collect > $SHOWN.part; mv $SHOWN.part $SHOWN; end\n"
    "bind \\cg show",
}
_COMPLETES = {
    "bash": 'eval "$(_NIGHTFERRY_COMPLETE=bash_source nightferry)"',
    "zsh": 'eval "$(_NIGHTFERRY_COMPLETE=zsh_source nightferry)"',
    "fish": "_NIGHTFERRY_COMPLETE=fish_source nightferry | source",
}


def _take_the_terminal() -> None:
    """Make standard input the terminal of the session: a shell without one is not interactive."""
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


class InteractiveShell:
    """One shell; `line_after` types keys and returns the line that is then being edited."""

    def __init__(self, name: str, folder: Path, environ: dict[str, str]) -> None:
        self._shown = folder / f"line in {name}"
        self._terminal, side = pty.openpty()
        environ = environ | {"SHOWN": str(self._shown), "TERM": "dumb", "HOME": str(folder)}
        self._process = subprocess.Popen(
            _STARTED[name],
            stdin=side,
            stdout=side,
            stderr=side,
            env=environ,
            cwd=folder,
            start_new_session=True,
            preexec_fn=_take_the_terminal,
        )
        os.close(side)
        script = folder / f"set up {name}"
        script.write_text(f"{_SHOWS_ITS_LINE[name]}\n{_COMPLETES[name]}\n", encoding="utf-8")
        self.line_after(f"source '{script}'\r")

    def line_after(self, keys: str) -> str:
        """Type keys, wait until they were acted on, and return the line; what was typed before is gone."""
        self._shown.unlink(missing_ok=True)
        os.write(self._terminal, keys.encode())
        until, last = time.monotonic() + _DEADLINE_S, 0.0
        while not self._shown.exists():
            assert time.monotonic() < until, "the shell does not answer"
            if time.monotonic() - last > 1:  # the shell may not have read its settings yet
                os.write(self._terminal, _KEY.encode())
                last = time.monotonic()
            self._drain()
        line = self._shown.read_text(encoding="utf-8")
        os.write(self._terminal, b"\x15")  # Ctrl-U clears the line
        return line

    def _drain(self) -> None:
        ready, _, _ = select.select([self._terminal], [], [], 0.05)
        if ready:
            os.read(self._terminal, 1 << 16)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()
        os.close(self._terminal)
