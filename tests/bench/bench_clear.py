"""`clear --delete` of 10,000 files against reading them once and unlinking them: a ratio from one run.

Run it as root, as `python -m tests.bench.bench_clear [--files 10000] [--kb 500] [--copy-here]`; it needs
about four times that room for temporary files, and is best run while nothing else does. The sources lie on an
ext4 volume on a loop device that reads 120 MB/s, freshly mounted; a copy, on another such volume, is read
whole and unlinked. Without `--copy-here` files go by the archive's acknowledgement alone; with it the drive
is there as one of two places, and its copies are read as well, from this computer's own disk.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.bench.bench_many_files import AS_INSTALLED
from tests.bench.bench_send import READ_BYTES_PER_S, nightferry, timed
from tests.support.volumes import Volume, volume

_EVENING_S = 1_773_525_600  # 2026-03-14, 22:00 UTC
_FOLDER_FILES = 200
# As short a program as reads each file once and unlinks it.
_READ_AND_UNLINK = """
import os, sys
for folder, _, names in os.walk(sys.argv[1]):
    for name in names:
        path = os.path.join(folder, name)
        with open(path, "rb", buffering=0) as file:
            while file.read(1 << 20):
                pass
        os.unlink(path)
"""
_SETTINGS = """
[site]
longitude = 0.0
[[source]]
name = "logs"
folder = '{source}'
kind = "logs"
[[drive]]
name = "stick"
folder = '{folder}/stick'
[records]
folder = 'records'
[clear]
copies = {copies}
"""


def make_session(folder: Path, files: int, size_bytes: int) -> None:
    """Write files of noise, 200 to a folder."""
    for number in range(files):
        path = folder / f"{number // _FOLDER_FILES:04d}/reading {number:06d}.bin"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(os.urandom(size_bytes))
        os.utime(path, (_EVENING_S, _EVENING_S))


def carry_home(folder: Path, source: Path, *, copy_here: bool = True) -> None:
    """Send the session to a drive, and file it; both places are asked for, or the archive alone."""
    (folder / "stick").mkdir()
    (folder / "archive").mkdir()
    (folder / "nightferry.toml").write_text(
        _SETTINGS.format(source=source, folder=folder, copies=2 if copy_here else 1)
    )
    (folder / "desk.toml").write_text("[archive]\nfolder = 'archive'\n[records]\nfolder = 'desk'\n")
    nightferry("prepare", folder / "stick", "--name", "stick")
    nightferry("send", "--config", folder / "nightferry.toml")
    nightferry("file", "--no-measures", "--config", folder / "desk.toml", folder / "stick")


def fresh(disk: Volume) -> None:
    """Remove everything of a volume from memory, and let it read no faster than a disk."""
    disk.unmount()
    disk.mount_again()
    disk.throttle(0, READ_BYTES_PER_S)


def _clear(settings: Path) -> None:
    words = [sys.executable, "-m", "transfer", "clear", "--delete", "--config", settings]
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL, env=AS_INSTALLED)


def measure(folder: Path, files: int, size_bytes: int, *, copy_here: bool) -> None:
    """Print the seconds of both, and their ratio."""
    size_mb = int(files * (size_bytes + 4096) / 1e6 * 1.3) + 64
    with volume("ext4", size_mb=size_mb) as disk, volume("ext4", size_mb=size_mb) as other:
        source, copy = disk.path / "sources", other.path / "sources"
        source.mkdir()
        make_session(source, files, size_bytes)
        shutil.copytree(source, copy)
        carry_home(folder, source, copy_here=copy_here)
        fresh(other)
        words = [sys.executable, "-c", _READ_AND_UNLINK, copy]
        plain_s = timed(lambda: subprocess.run(words, check=True))
        fresh(disk)
        clear = [
            sys.executable,
            "-m",
            "transfer",
            "clear",
            "--delete",
            "--config",
            folder / "nightferry.toml",
        ]
        clear_s = timed(
            lambda: subprocess.run(clear, check=True, stdout=subprocess.DEVNULL, env=AS_INSTALLED)
        )
        left = sum(path.is_file() for path in source.rglob("*"))
    where = "with a copy here" if copy_here else "no copy here"
    print(f"{files:,} files of {size_bytes / 1e3:.0f} kB, {where}; left {left}")
    print(f"clear --delete {clear_s:.2f} s, reading and unlinking {plain_s:.2f} s: {clear_s / plain_s:.3f}")


def main() -> None:
    """Make the session, then measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--kb", type=int, default=500)
    parser.add_argument("--copy-here", action="store_true", help="leave the drive there, and count it")
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="nightferry-bench-"))
    try:
        measure(folder, options.files, options.kb * 1000, copy_here=options.copy_here)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
