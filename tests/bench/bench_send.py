"""`send` and `check` on a slow stick against the least that a copy and a read can take: ratios from one run.

Run it as root, as `python -m tests.bench.bench_send [--gb 2] [--rounds 1]`; it needs about three times that
room for temporary files, and is best run while nothing else does. A real exFAT volume on a loop device is
slowed to 40 MB/s written and 120 MB/s read.

- send: frames of 25 to 60 MB, against (cp + sync + one cold read of the result) on a fresh volume of the same
  kind. The device's own counters say how often each byte was written and read.
- check: against one cold sequential read of the same files on the same volume.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.support.volumes import Volume, volume

WRITE_BYTES_PER_S, READ_BYTES_PER_S = 40_000_000, 120_000_000
BLOCK_BYTES = 1 << 20
CONFIGURATION = """
[site]
longitude = 0.0
[[source]]
name = "frames"
folder = "frames"
[records]
folder = "records"
"""


def make_frames(folder: Path, size_bytes: int) -> int:
    """Write frames of noise, 25 to 60 MB each, of one night; give their bytes."""
    import numpy as np
    from astropy.io import fits

    draw, noise = random.Random(5), np.random.default_rng(5)
    folder.mkdir()
    total = number = 0
    while total < size_bytes:
        rows = draw.randint(25_000_000, 60_000_000) // 12_000
        frame = fits.PrimaryHDU(noise.integers(0, 60_000, (rows, 6_000), dtype=np.uint16))
        minute = 20 * 60 + 5 * number
        day, minute = 14 + minute // 1440, minute % 1440
        frame.header["DATE-OBS"] = f"2026-03-{day}T{minute // 60:02d}:{minute % 60:02d}:00.250"
        frame.header["OBJECT"], frame.header["FILTER"], frame.header["IMAGETYP"] = "M 51", "L", "Light Frame"
        path = folder / f"M 51 L {number:03d}.fits"
        frame.writeto(path)
        total, number = total + path.stat().st_size, number + 1
    os.sync()
    return total


def timed(act: Callable[[], object]) -> float:
    began = time.perf_counter()
    act()
    return time.perf_counter() - began


def nightferry(*arguments: str | Path) -> None:
    subprocess.run([sys.executable, "-m", "transfer", *arguments], check=True, stdout=subprocess.DEVNULL)


def cold_read(drive: Volume, folder: Path) -> None:
    """Read every file once, in order, from the medium."""
    drop(Path(drive.device or ""))
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        drop(path)
        with path.open("rb", buffering=0) as file:
            while file.read(BLOCK_BYTES):
                pass


def drop(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    os.close(descriptor)


def plain_copy(drive: Volume, source: Path) -> None:
    subprocess.run(["cp", "-r", source, drive.path / "copy"], check=True)
    subprocess.run(["sync"], check=True)
    cold_read(drive, drive.path / "copy")


def measure_floor(source: Path, size_mb: int) -> float:
    with volume("exfat", size_mb=size_mb) as drive:
        drive.throttle(WRITE_BYTES_PER_S, READ_BYTES_PER_S)
        return timed(lambda: plain_copy(drive, source))


def measure_ours(folder: Path, total: int, size_mb: int) -> tuple[float, float, float]:
    """Return the seconds of send, of check, and of one cold read; print what the device counted."""
    with volume("exfat", size_mb=size_mb) as drive:
        nightferry("prepare", drive.path, "--name", "slow stick")
        drive.throttle(WRITE_BYTES_PER_S, READ_BYTES_PER_S)
        served, written = drive.served(), drive.written()
        send_s = timed(
            lambda: nightferry("send", "--config", folder / "nightferry.toml", "--drive", drive.path)
        )
        print(f"device: written {(drive.written() - written) / total:.3f} times, ", end="")
        print(f"read back {(drive.served() - served) / total:.3f} times")
        night = drive.path / "2026-03-14"
        read_s = timed(lambda: cold_read(drive, night))
        drive.unmount()
        drive.mount_again()
        check_s = timed(lambda: nightferry("check", drive.path))
        return send_s, check_s, read_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--gb", type=float, default=2.0)
    parser.add_argument("--rounds", type=int, default=1)
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="nightferry-bench-"))
    try:
        total = make_frames(folder / "frames", int(options.gb * 1e9))
        (folder / "nightferry.toml").write_text(CONFIGURATION)
        size_mb = int(total / 1e6 * 1.3) + 64
        for _ in range(options.rounds):
            floor_s = measure_floor(folder / "frames", size_mb)
            send_s, check_s, read_s = measure_ours(folder, total, size_mb)
            print(f"send {send_s:.1f} s, copy + sync + cold read {floor_s:.1f} s: {send_s / floor_s:.3f}")
            print(f"check {check_s:.1f} s, one cold read {read_s:.1f} s: {check_s / read_s:.3f}")
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
