"""A file system that passes everything on to a folder, but for the faults it is told to make.

`faulty` mounts one and takes it down, whatever happened; faulty_drive_server.py is the program behind it.
A fault is `call|where|first|count|what`: from the `first` on, `count` calls of `call` for paths in which
the expression `where` is found go wrong. `what` is an errno's name; `short`, `flip` or `drop` for the
bytes; `full` for statfs; or `hang`.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.support.volumes import need_tools, unavailable

_SERVER = Path(__file__).with_name("faulty_drive_server.py")
_MOUNTED_WITHIN_S = 20


def need_fuse() -> None:
    """Skip the test, or in CI fail it, unless file systems in user space can be mounted here."""
    if not sys.platform.startswith("linux"):
        pytest.skip("real faults are made on Linux only")
    if os.geteuid() != 0 or not Path("/dev/fuse").exists():
        unavailable("needs root and FUSE")
    need_tools("umount")


@dataclass(frozen=True)
class Faulty:
    """A mounted file system with faults: where it is, what lies behind it, its server's process id."""

    path: Path
    behind: Path
    server: int
    _log: Path

    def log(self) -> list[list[str]]:
        """Return what happened: each fault that was made, and each read with its path and size."""
        return [line.split("\t") for line in self._log.read_text(errors="surrogateescape").splitlines()]

    @property
    def faults(self) -> int:
        """How many faults were made."""
        return sum(line[0] == "fault" for line in self.log())

    def bytes_read(self, ending: str) -> int:
        """Count the bytes that were read of files whose path ends so."""
        return sum(int(line[2]) for line in self.log() if line[0] == "read" and line[1].endswith(ending))


@contextlib.contextmanager
def faulty(folder: Path, *rules: str, behind: Path | None = None) -> Iterator[Faulty]:
    """Mount, below `folder`, a file system with these faults over `behind`, or over an empty folder.

    Skips the test where none can be mounted.
    """
    need_fuse()
    behind = behind or folder / "behind"
    behind.mkdir(parents=True, exist_ok=True)
    path, log = folder / "mounted", folder / "log"
    path.mkdir(parents=True)
    log.touch()
    program = subprocess.Popen(
        [sys.executable, _SERVER, behind, path, log, *rules], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    try:
        wait_until_mounted(program, path)
        yield Faulty(path, behind, program.pid, log)
    finally:
        end_server(program, path)


def wait_until_mounted(program: subprocess.Popen[bytes], path: Path) -> None:
    """Wait until a server of a mount says that it is there."""
    assert program.stdout is not None
    assert program.stderr is not None
    ready, _, _ = select.select([program.stdout], [], [], _MOUNTED_WITHIN_S)
    if not ready or not program.stdout.readline():
        program.kill()
        raise RuntimeError(f"not mounted: {program.stderr.read().decode()}")
    assert path.is_mount()


def end_server(program: subprocess.Popen[bytes], path: Path) -> None:
    """End a server, whatever it is doing, and unmount it."""
    program.send_signal(signal.SIGKILL)  # one that was told to hang would not end by itself
    program.communicate()
    subprocess.run(["umount", "-l", path], check=False, capture_output=True)
