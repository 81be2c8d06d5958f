"""Runs under strace: the calls that a run makes, and a run in which one of them fails, kills or pauses it."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.faults.judge import Ran, require
from tests.faults.scene import ENDS_WITHIN_S, HERE, environment

CALLS = "write,fsync,syncfs,rename,renameat,unlink,unlinkat,openat,close,mkdirat,read,readv,newfstatat"
CALLS += ",pwrite64,pread64,fdatasync,ftruncate"  # the index' own
_CALL = re.compile(r"(\d+) +(\w+)\(")
_LOOK_S = 0.01


@dataclass(frozen=True)
class Call:
    """One system call of a run: its name, the path it concerns, and the how many-th such call of its thread.

    `path` begins with `{drive}` or `{room}`; `line` is what strace wrote.
    """

    name: str
    path: str
    number: int
    line: str

    def rule(self, what: str, lasting: bool = False) -> str:
        """Say to strace what is to happen at this call, or at this and all such calls after it."""
        return f"{self.name}:{what}:when={self.number}{'+' if lasting else ''}"


@dataclass(frozen=True)
class Places:
    """Where a trial's drive and its room are."""

    drive: Path
    room: Path

    def named(self, path: str) -> str:
        """Return a path in words that hold for every trial; empty where it is in neither place."""
        for name, place in (("{drive}", str(self.drive)), ("{room}", str(self.room))):
            if path == place or path.startswith(f"{place}/"):
                return name + path[len(place) :]
        return ""

    def real(self, named: str) -> str:
        """Return such a path as it is in this trial."""
        return named.replace("{drive}", str(self.drive)).replace("{room}", str(self.room))


@dataclass(frozen=True)
class Traced:
    """A run under strace: how it ended, and the lines in which the fault was made."""

    ran: Ran
    struck: tuple[str, ...]


def calls_of(trace: Path, places: Places) -> list[Call]:
    """Return the calls of a trace that concern these places, numbered within each thread for each path."""
    seen: Counter[tuple[str, str, str]] = Counter()
    found = []
    for line in trace.read_text(errors="replace").splitlines():
        call = _CALL.match(line)
        path = "" if call is None else places.named(_path_of(line))
        if call is None or not path:
            continue
        seen[call[1], call[2], path] += 1
        found.append(Call(call[2], path, seen[call[1], call[2], path], line))
    return found


def _path_of(line: str) -> str:
    """Return the path by which strace can be told of this call: its descriptor's, or the first it names."""
    descriptor = re.match(r"\d+ +\w+\(\d+<([^>]+)>", line)
    if descriptor is not None:
        return descriptor[1]
    named = re.match(r'\d+ +\w+\((?:AT_FDCWD<[^>]*>, )?"([^"]+)"', line)
    return "" if named is None else named[1]


def trace_all(command: list[str], to: Path) -> list[str]:
    """Return the command that runs another one and writes down its calls."""
    return ["strace", "-f", "-qq", "-y", "-o", str(to), "-e", f"trace={CALLS}", *command]


def _trace(command: list[str], to: Path, call: Call, path: str, what: str, lasting: bool) -> list[str]:
    rule = call.rule(what, lasting)
    options = ["-P", path, "-e", f"trace={call.name}", "-e", f"inject={rule}"]
    return ["strace", "-f", "-qq", "-y", "-o", str(to), *options, *command]


def run_traced(
    command: list[str], to: Path, call: Call, places: Places, what: str, lasting: bool = False
) -> Traced:
    """Run a command with this done at one of its calls."""
    process = _start(_trace(command, to, call, places.real(call.path), what, lasting))
    return _ended(process, to)


def run_paused(
    command: list[str], to: Path, call: Call, places: Places, act: Callable[[int], None]
) -> Traced:
    """Run a command, stop it at a call, do something to the world meanwhile, and let it go on.

    `act` is given the process id of the run.
    """
    process = _start(_trace(command, to, call, places.real(call.path), "signal=SIGSTOP", lasting=False))
    try:
        stopped = _wait_for_stop(process, to)
        if stopped is not None:
            act(stopped)
            _continue_until_end(process, stopped)
    except BaseException:
        _kill_all(process)
        raise
    return _ended(process, to)


def _start(command: list[str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        env=environment(),
        cwd=HERE,
        start_new_session=True,
    )


def _kill_all(process: subprocess.Popen[bytes]) -> None:
    """End strace and the run beneath it: a group of processes of our own."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.communicate()


def _wait_for_stop(process: subprocess.Popen[bytes], to: Path) -> int | None:
    """Wait until the run was stopped; give its process id, or None where it ended without."""
    while process.poll() is None:
        stopped = re.search(r"^(\d+) +--- stopped by SIGSTOP", _text(to), re.MULTILINE)
        if stopped is not None:
            with contextlib.suppress(OSError):
                return _leader(int(stopped[1]))
        time.sleep(_LOOK_S)
    return None


def _leader(thread: int) -> int:
    status = Path(f"/proc/{thread}/status").read_text()
    return int(status.partition("Tgid:")[2].split()[0])


def _continue_until_end(process: subprocess.Popen[bytes], stopped: int) -> None:
    """Let it go on, and again whenever another of its threads comes to its own such call."""
    until = time.monotonic() + ENDS_WITHIN_S
    while process.poll() is None:
        require(time.monotonic() < until, "it did not end by itself")
        with contextlib.suppress(ProcessLookupError):
            os.kill(stopped, signal.SIGCONT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(5 * _LOOK_S)


def _ended(process: subprocess.Popen[bytes], to: Path) -> Traced:
    try:
        out, err = process.communicate(timeout=ENDS_WITHIN_S)
    except subprocess.TimeoutExpired:
        _kill_all(process)
        require(False, "it did not end by itself")
    struck = tuple(_struck_lines(_text(to)))
    output_hit = any(re.search(r"\b(write|close)\([12][<,)]", line) for line in struck)
    killed = process.returncode in (-signal.SIGKILL, 128 + signal.SIGKILL)
    ran = Ran(
        process.returncode, out.decode(errors="replace"), err.decode(errors="replace"), killed, output_hit
    )
    return Traced(ran, struck)


def _struck_lines(text: str) -> list[str]:
    """Return the calls that were made to fail; where one was broken off in the trace, with its beginning."""
    begun: dict[str, str] = {}
    found = []
    for line in text.splitlines():
        thread = line.partition(" ")[0]
        if "<unfinished" in line:
            begun[thread] = line
        if "(INJECTED)" in line or "stopped by SIGSTOP" in line or "killed by SIGKILL" in line:
            found.append(f"{begun.get(thread, '')} {line}" if "resumed>" in line else line)
    return found


def _text(to: Path) -> str:
    return to.read_text(errors="replace") if to.exists() else ""
