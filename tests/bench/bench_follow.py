"""`send --follow` beside the night that it follows: ratios from one run.

Run it as root, as `python -m tests.bench.bench_follow dawn|camera|idle|night`, best while nothing else does.

- dawn: a night of 300 frames on an exFAT volume as slow as a stick (40 MB/s written, 120 MB/s read): the
  plain send that takes over from a follower, the last two frames still to come, against the plain send of the
  same night; and how often the device wrote and read each byte of the followed night, that send included.
  A read-back costs the device about 0.2 MB more than the file, whatever its size: the system reads ahead of
  its end (128 kB), and the file system's tables are read again after the caches were emptied.
- camera: how much longer it takes to write and flush a download of 25 MB to the sources' disk while the
  follower carries what was downloaded before, at its default rate, against the same without a follower.
- night: eight hours, the follower's clocks sped up two hundred times, a frame every two minutes: memory and
  open files of its process after each hour; and the processor's time of a follower that has nothing to do.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.support.followers import FastClock, FollowedHere, Follower, wait_for
from tests.support.nights import Computer, fits, prepared
from tests.support.volumes import Volume, volume

WRITE_BYTES_PER_S, READ_BYTES_PER_S = 40_000_000, 120_000_000
FAST = '[follow]\nrest = "0.3s"\n'


def content(number: int, size_bytes: int) -> bytes:
    """Return a frame of noise; its begin is minutes after that of the one before."""
    begun = datetime(2026, 3, 14, 19, 0, tzinfo=UTC) + timedelta(minutes=2 * number)
    noise = random.Random(number).randbytes(size_bytes - 2 * 2880)
    return fits(begun=f"{begun:%Y-%m-%dT%H:%M:%S}", data=noise)


def put(computer: Computer, number: int, size_bytes: int) -> None:
    """Write a frame as a camera's program does, under its own name."""
    computer.frames.joinpath(f"light {number:03}.fits").write_bytes(content(number, size_bytes))


@contextlib.contextmanager
def stick(size_mb: int) -> Iterator[Volume]:
    """Make a stick: as slow as one, and the system reads no further ahead than on one."""
    with volume("exfat", size_mb=size_mb) as drive:
        prepared(drive.path)
        queue = Path("/sys/block", Path(drive.device or "").name, "queue")
        (queue / "read_ahead_kb").write_text("128")
        drive.unmount()
        drive.mount_again()
        drive.throttle(WRITE_BYTES_PER_S, READ_BYTES_PER_S)
        yield drive


def send_s(computer: Computer, drive: Volume) -> float:
    began = time.perf_counter()
    ran = computer.command("send", "--drive", drive.path, "--json", ends_within_s=1200)
    assert ran.exit == 0, ran.out + ran.err
    return time.perf_counter() - began


def at_dawn(folder: Path, frames: int, size_bytes: int) -> None:
    """Compare the step at dawn after a followed night with the plain send of that night."""
    computer = Computer(folder / "followed", more=FAST)
    total = frames * size_bytes
    size_mb = int(total / 1e6 * 1.2) + 64
    with stick(size_mb) as drive:
        served, written = drive.served(), drive.written()
        follower = Follower(computer, "--drive", drive.path, "--rate", "60")
        for number in range(frames - 2):
            put(computer, number, size_bytes)
        follower.says("is proven on", times=frames - 2, within_s=1800)
        for number in (frames - 2, frames - 1):
            put(computer, number, size_bytes)
        dawn_s = send_s(computer, drive)
        assert follower.ends() == 0
        print(f"device: written {(drive.written() - written) / total:.3f} times, ", end="")
        print(f"read back {(drive.served() - served) / total:.3f} times")
    plain = Computer(folder / "plain")
    plain.frames.rmdir()
    computer.frames.rename(plain.frames)
    with stick(size_mb) as drive:
        plain_s = send_s(plain, drive)
    print(f"dawn {dawn_s:.1f} s, plain send {plain_s:.1f} s: {dawn_s / plain_s:.3f}")


def download_s(computer: Computer, number: int) -> float:
    """Write 25 MB and flush them, as a download is."""
    frame = content(number, 25_000_000)
    began = time.perf_counter()
    with computer.frames.joinpath(f"light {number:03}.fits").open("wb") as file:
        file.write(frame)
        file.flush()
        os.fsync(file.fileno())
    return time.perf_counter() - began


def beside_the_camera(downloads: int, every_s: float) -> None:
    """Compare downloads with and without a follower, turn by turn, on a disk of its own."""
    took: dict[bool, list[float]] = {True: [], False: []}
    with volume("ext4", size_mb=int(downloads * 2 * 27) + 256) as disk, stick(downloads * 60 + 64) as drive:
        disk.throttle(150_000_000, 150_000_000)
        computer = Computer(disk.path / "night", more='[follow]\nrest = "1s"\n')
        number = 0
        for followed in (False, True) * 2:
            follower = Follower(computer, "--drive", drive.path) if followed else None
            if follower is not None:
                follower.says("is proven on")
            for _ in range(downloads // 2):
                began = time.monotonic()
                took[followed].append(download_s(computer, number))
                number += 1
                time.sleep(max(0.0, every_s - (time.monotonic() - began)))
            if follower is not None:
                follower.kill()
    with_it, without = statistics.median(took[True]), statistics.median(took[False])
    print(f"download {with_it:.3f} s beside the follower, {without:.3f} s without: {with_it / without:.3f}")


def memory_and_files() -> tuple[int, int]:
    """Return the resident memory of this process, in kB, and how many files it has open."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") // 1024, len(list(Path("/proc/self/fd").iterdir()))


def through_a_night(folder: Path, hours: int, times: float) -> None:
    """Follow a simulated night in this process, and look at its memory and its files."""
    computer = Computer(folder / "night")
    clock = FastClock(times, datetime(2026, 3, 14, 18, 0, tzinfo=UTC))
    followed = FollowedHere(computer, prepared(folder / "stick"), clock, clock.now() + timedelta(hours=hours))
    with followed:
        _live_through(computer, clock, hours)
        wait_for(lambda: followed.ended is not None, "the night ends")
    print(f"{followed.follower.standing.proven} of {hours * 30} frames proven when the night ended")


def _live_through(computer: Computer, clock: FastClock, hours: int) -> None:
    per_hour = 30
    for number in range(hours * per_hour):
        wait_for(lambda number=number: clock.seconds() >= number * 3600 / per_hour, "the next frame")
        put(computer, number, 400_000)
        if number % per_hour == per_hour - 1:
            memory_kb, files = memory_and_files()
            print(f"hour {number // per_hour + 1}: {memory_kb / 1000:.1f} MB, {files} open files", flush=True)


def idle(folder: Path, seconds: float) -> None:
    """Measure the processor's time of a follower that has nothing to do."""
    computer = Computer(folder / "idle", more=FAST)
    for number in range(300):
        put(computer, number, 20_000)
    drive = prepared(folder / "idle stick")
    follower = Follower(computer, "--drive", drive)
    follower.says("is proven on", times=300, within_s=300)
    time.sleep(5)  # it writes the lists of the bag, which is work
    before, began = _processor_s(follower.process.pid), time.monotonic()
    time.sleep(seconds)
    used = _processor_s(follower.process.pid) - before
    print(f"idle: {100 * used / (time.monotonic() - began):.2f} % of a core")
    follower.kill()


def _processor_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("what", choices=("dawn", "camera", "night", "idle"))
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--mb", type=float, default=8.0, help="of each frame")
    parser.add_argument("--downloads", type=int, default=12)
    parser.add_argument("--every", type=float, default=10.0, help="seconds between two downloads")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="nightferry-bench-") as name:
        folder = Path(name)
        if options.what == "dawn":
            at_dawn(folder, options.frames, int(options.mb * 1e6))
        elif options.what == "camera":
            beside_the_camera(options.downloads, options.every)
        elif options.what == "night":
            through_a_night(folder, 8, 200.0)
        else:
            idle(folder, 60.0)


if __name__ == "__main__":
    sys.exit(main())
