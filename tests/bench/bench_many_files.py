"""`send` with very many small files, and with nothing new to send: ratios from one run.

Run it as `python -m tests.bench.bench_many_files [--many 100000]`.

- Nothing new among 10,000 files: the whole command, start-up included, against a process that walks the same
  tree with os.walk and reads each file's size and time with os.stat. They take turns; processor seconds
  (user + system) and wall seconds are both told, the fastest run of each. As root the drive is a volume
  of its own; else it is a folder. At most 6 times the walk, of processor time, is what is aimed at: every
  file on the drive is asked for its size, and every source for its size and time, and nothing is remembered.
- Very many small files in one night against 1,000: time a file, and peak memory.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from tests.support.volumes import volume

WALK = """
import os, sys
for folder, _, names in os.walk(sys.argv[1]):
    for name in names:
        facts = os.stat(os.path.join(folder, name))
        facts.st_size, facts.st_mtime_ns
"""
NIGHTFERRY = Path(sys.executable).with_name("nightferry")
# An installed program has its modules compiled: no setting of a shell may have each run compile them again.
AS_INSTALLED = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
EVENING_S = 1_773_520_000  # 2026-03-14, 20:26 UTC


class Run(NamedTuple):
    """One process: seconds on the clock and on the processor, and its peak memory in bytes."""

    wall_s: float
    cpu_s: float
    peak_bytes: int


def run(*command: str | Path) -> Run:
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=AS_INSTALLED)
    _, status, used = os.wait4(process.pid, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        raise SystemExit(f"{command} failed")
    return Run(time.perf_counter() - began, used.ru_utime + used.ru_stime, used.ru_maxrss * 1024)


def make_session(folder: Path, count: int, drive: Path) -> None:
    for number in range(count):
        place = folder / "logs" / f"hour {number // 200:04d}"
        if number % 200 == 0:
            place.mkdir(parents=True)
        path = place / f"reading {number:06d}.txt"
        path.write_bytes(b"reading %d\n" % number * 40)
        os.utime(path, (EVENING_S, EVENING_S))
    (folder / "nightferry.toml").write_text(
        '[site]\nlongitude = 0.0\n[[source]]\nname = "logs"\nfolder = "logs"\nkind = "logs"\n'
        f"[[drive]]\nname = 'stick'\nfolder = '{drive}'\n[records]\nfolder = 'records'\n"
    )
    run(NIGHTFERRY, "prepare", drive, "--name", "stick")


def send(folder: Path) -> Run:
    return run(NIGHTFERRY, "send", "--config", folder / "nightferry.toml")


def nothing_new(folder: Path, rounds: int = 9) -> None:
    with a_drive(folder) as drive:
        make_session(folder, 10_000, drive)
        send(folder)
        _take_turns(folder, rounds)


@contextmanager
def a_drive(folder: Path) -> Iterator[Path]:
    """Return a volume as root, and a folder else."""
    if os.name == "posix" and os.geteuid() == 0:
        with volume("ext4", size_mb=1_000) as drive:
            yield drive.path
    else:
        (folder / "stick").mkdir()
        yield folder / "stick"


def _take_turns(folder: Path, rounds: int) -> None:
    pairs = [(run(sys.executable, "-c", WALK, folder / "logs"), send(folder)) for _ in range(rounds)]
    for what, field in (("wall", 0), ("processor", 1)):
        walk_s, send_s = (min(pair[which][field] for pair in pairs) for which in (0, 1))
        print(f"nothing new among 10,000: {what} {send_s * 1e3:.0f} ms, ", end="")
        print(f"walk {walk_s * 1e3:.0f} ms, ratio {send_s / walk_s:.2f}")


def many_files(folder: Path, many: int) -> None:
    for name, count in (("few", 1_000), ("many", many)):
        (folder / name / "stick").mkdir(parents=True)
        make_session(folder / name, count, folder / name / "stick")
    few, lots = send(folder / "few"), send(folder / "many")
    print(f"1,000 files: {few.wall_s * 1e3 / 1000:.2f} ms a file, peak {few.peak_bytes / 1e6:.0f} MB")
    print(f"{many:,} files: {lots.wall_s * 1e3 / many:.2f} ms a file, peak {lots.peak_bytes / 1e6:.0f} MB")
    print(f"time a file, {many:,} against 1,000: ratio {lots.wall_s / many / (few.wall_s / 1000):.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--many", type=int, default=100_000)
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="nightferry-bench-"))
    try:
        (folder / "ten thousand").mkdir()
        nothing_new(folder / "ten thousand")
        many_files(folder, options.many)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
