"""Two archives against one, and one bag of a hundred healed: ratios from one run.

Run it as root, as `python -m tests.bench.bench_archives [--gb 0.5] [--rounds 1]`; it is best run while
nothing else does. The night lies on a real exFAT volume that reads 120 MB/s; each archive is an ext4 volume
of its own, which writes and reads 120 MB/s, as an ordinary disk does.

- `file` into two empty archives, against `file` into one, from a drive that was just mounted each time.
- `heal` of one damaged frame in one of a hundred bags: what the archive's device served, against what the bag
  holds, and against what all bags hold; and what the other archive's device served.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import tempfile
from contextlib import ExitStack, suppress
from pathlib import Path

from tests.bench.bench_file import filled, fresh
from tests.bench.bench_send import CONFIGURATION, READ_BYTES_PER_S, make_frames, nightferry, timed
from tests.support.nights import fits, noise
from tests.support.volumes import Volume, volume

_DISK_BYTES_PER_S = 120_000_000
_BAGS = 100
_FRAME_BYTES = 1_000_000


def settings_for(folder: Path, *archives: Path) -> Path:
    """Write a configuration with these archives; return its path."""
    named = (f"[[archive]]\nname = 'disk {n}'\nfolder = '{at}'\n" for n, at in enumerate(archives, 1))
    path = folder / "archives.toml"
    path.write_text(f"{CONFIGURATION}\n{''.join(named)}", encoding="utf-8")
    return path


def filed_s(drive: Volume, folder: Path, count: int, size_mb: int) -> float:
    """Return the seconds of filing the drive's night into so many empty archives, on a disk each."""
    with ExitStack() as held:
        disks = [held.enter_context(volume("ext4", size_mb=size_mb)) for _ in range(count)]
        for disk in disks:
            (disk.path / "archive").mkdir()
            disk.throttle(_DISK_BYTES_PER_S, _DISK_BYTES_PER_S)
        settings = settings_for(folder, *(disk.path / "archive" for disk in disks))
        fresh(drive)
        return timed(lambda: nightferry("file", "--no-measures", "--config", settings, drive.path))


def measure_filing(drive: Volume, folder: Path, total: int) -> None:
    """Print the seconds of filing into one archive and into two, one after the other."""
    size_mb = int(total / 1e6 * 1.2) + 128
    one_s, two_s = (filed_s(drive, folder, count, size_mb) for count in (1, 2))
    print(f"file into one archive {one_s:.2f} s, into two {two_s:.2f} s: {two_s / one_s:.3f}")


def measure_healing(folder: Path) -> None:
    """Print what healing one frame in one of a hundred bags reads."""
    frames = folder / "years"
    frames.mkdir()
    for number in range(_BAGS):
        for light in range(2):
            content = fits(target=f"NGC {1000 + number}", data=noise(_FRAME_BYTES, 10 * number + light))
            (frames / f"{number:03}_{light}.fits").write_bytes(content)
    size_mb = int(_BAGS * 2 * _FRAME_BYTES / 1e6 * 1.3) + 128
    with volume("ext4", size_mb=size_mb) as house, volume("ext4", size_mb=size_mb) as attic:
        for disk in (house, attic):
            (disk.path / "archive").mkdir()
        settings = settings_for(folder, house.path / "archive", attic.path / "archive")
        nightferry("file", "--no-measures", "--config", settings, frames)
        light = next((house.path / "archive/NGC 1042/data").rglob("*.fits"))
        facts = light.stat()
        with light.open("r+b") as file:
            file.seek(500_000)
            file.write(b"other")
        os.utime(light, ns=(facts.st_atime_ns, facts.st_mtime_ns))
        with suppress(subprocess.CalledProcessError):  # it finds the damage
            nightferry("check", "--config", settings, house.path / "archive/NGC 1042")
        for disk in (house, attic):
            fresh(disk)
        before = house.served(), attic.served()
        nightferry("heal", "--config", settings, "disk 1", "--from", "disk 2")
        served, from_other = house.served() - before[0], attic.served() - before[1]
    bag, everything = 2 * light_bytes(facts.st_size), _BAGS * 2 * light_bytes(facts.st_size)
    print(f"heal of one bag of {_BAGS}: its disk served {served / 1e6:.2f} MB, the bag holds {bag / 1e6:.2f}")
    print(f"  {served / bag:.3f} times the bag, {served / everything:.4f} of all bags", end="; ")
    print(f"the other archive served {from_other / light_bytes(facts.st_size):.3f} times the frame")


def light_bytes(size_bytes: int) -> int:
    """Return a frame's size in whole blocks of a disk."""
    return -(-size_bytes // 4096) * 4096


def main() -> None:
    """Make the night, then measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--gb", type=float, default=0.5)
    parser.add_argument("--rounds", type=int, default=1)
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="nightferry-bench-"))
    try:
        measure_healing(folder)
        total = make_frames(folder / "frames", int(options.gb * 1e9))
        (folder / "nightferry.toml").write_text(CONFIGURATION)
        with volume("exfat", size_mb=int(total / 1e6 * 1.1) + 64) as drive:
            filled(drive, folder)
            drive.throttle(READ_BYTES_PER_S, READ_BYTES_PER_S)
            for _ in range(options.rounds):
                measure_filing(drive, folder, total)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
