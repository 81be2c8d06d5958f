"""`file` from a drive that reads 120 MB/s, against one cold read of the drive: ratios from one run.

Run it as root, as `python -m tests.bench.bench_file [--gb 1.5] [--rounds 1]`; it needs about three times that
room for temporary files, and is best run while nothing else does. The night, frames of 25 to 60 MB, lies on a
real exFAT volume on a loop device; the archive is an ext4 volume of its own, as fast as the disk is.

- The cold read reads every file of the night's bag once, in order, from a drive that was just mounted.
- `file` does the same, and writes, flushes, reads back and lists every frame, brings the index up to date and
  writes the acknowledgement. The device's own counters say how often each byte was read.
- Filing again finds nothing new.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from pathlib import Path

from tests.bench.bench_send import (
    CONFIGURATION,
    READ_BYTES_PER_S,
    WRITE_BYTES_PER_S,
    cold_read,
    make_frames,
    nightferry,
    timed,
)
from tests.support.volumes import Volume, volume


def filled(drive: Volume, folder: Path) -> None:
    """Carry the night to the drive with `send`, at full speed."""
    nightferry("prepare", drive.path, "--name", "slow stick")
    nightferry("send", "--config", folder / "nightferry.toml", "--drive", drive.path)


def fresh(drive: Volume) -> None:
    """Remove everything of the drive from memory."""
    drive.unmount()
    drive.mount_again()


def measure(drive: Volume, folder: Path, total: int) -> None:
    """Print the seconds of one cold read, of filing into an empty archive, and of filing again."""
    settings = folder / "nightferry.toml"
    with volume("ext4", size_mb=int(total / 1e6 * 1.2) + 128) as disk:
        (disk.path / "archive").mkdir()
        settings.write_text(f"{CONFIGURATION}\n[archive]\nfolder = '{disk.path}/archive'\n")
        fresh(drive)
        read_s = timed(lambda: cold_read(drive, drive.path / "2026-03-14"))
        fresh(drive)
        served, written, back = drive.served(), disk.written(), disk.served()
        file_s = timed(lambda: nightferry("file", "--no-measures", "--config", settings, drive.path))
        print(f"drive: read {(drive.served() - served) / total:.3f} times; ", end="")
        print(f"archive: written {(disk.written() - written) / total:.3f} times, ", end="")
        print(f"read back {(disk.served() - back) / total:.3f} times")
        print(f"file {file_s:.2f} s, one cold read {read_s:.2f} s: {file_s / read_s:.3f}")
        fresh(drive)
        again_s = timed(lambda: nightferry("file", "--no-measures", "--config", settings, drive.path))
        print(f"file again, nothing new: {again_s:.2f} s")


def main() -> None:
    """Make the night, then measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--gb", type=float, default=1.5)
    parser.add_argument("--rounds", type=int, default=1)
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="nightferry-bench-"))
    try:
        total = make_frames(folder / "frames", int(options.gb * 1e9))
        (folder / "nightferry.toml").write_text(CONFIGURATION)
        for _ in range(options.rounds):
            with volume("exfat", size_mb=int(total / 1e6 * 1.1) + 64) as drive:
                filled(drive, folder)
                drive.throttle(WRITE_BYTES_PER_S, READ_BYTES_PER_S)
                measure(drive, folder, total)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
