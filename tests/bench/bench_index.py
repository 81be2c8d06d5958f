"""The archive's index against reading headers, and a large one against a small one: ratios from one run.

Run it as `python -m tests.bench.bench_index`; it needs about 1.5 GB in the folder for temporary files.

Each program that is measured is a process of its own, start-up included. They take turns, and the fastest
run of each counts: it is the one that other programs disturbed least.

- Rebuilding: a bag's list of 20,000 entries, written by the program's own writer, against a loop that reads
  the header of each of 20,000 FITS files that say the same with astropy.io.fits.getheader.
- Questions: an index of 10,000 and one of 1,000,000 frames. Their rows are put straight into the tables, as
  what the entries of a bag become: writing a million entries takes longer than all the questions. Each
  program makes and prints every row of one answer.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.synthetic_archive import fill, header_of, lights, position_of, write_bag

ROOT = Path(__file__).resolve().parents[2]
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
ENVIRONMENT["PYTHONPYCACHEPREFIX"] = tempfile.mkdtemp()

READ_HEADERS = """
import sys
from pathlib import Path
from astropy.io import fits
for path in sorted(Path(sys.argv[1]).iterdir()):
    header = fits.getheader(path)
    header["OBJECT"], header["FILTER"], header["EXPTIME"], header["DATE-OBS"]
"""
REBUILD = """
import sys
from pathlib import Path
from manifests.index.rebuilding import rebuild
report = rebuild(Path(sys.argv[1])).refreshed
assert report.files_added == int(sys.argv[2]) and not report.findings, report
"""
ASK = """
import sys
from datetime import date
from pathlib import Path
from manifests.index.cones import Cone
from manifests.index.frame_query import Between, FrameQuery
from manifests.index.frames import frames
from manifests.index.names import names
from manifests.index.nights import nights
from manifests.index.opening import open_index
from manifests.index.targets import targets
with open_index(Path(sys.argv[1])) as index:
    rows = list(QUESTION)
for row in rows:
    print(row)
"""
QUESTIONS = {
    "targets": "targets(index)",
    "nights": "nights(index)",
    "names, for a shell": "names(index).targets",
    "frames: target, filter, night": (
        "frames(index, FrameQuery(targets=('Field 7',), filters=('Ha',),"
        " nights=Between(date(2016, 1, 12), date(2016, 1, 12))))"
    ),
    "frames: one night's lights": (
        "frames(index, FrameQuery(nights=Between(date(2016, 1, 12), date(2016, 1, 12)), limit=50))"
    ),
    "frames: within 0.2°": "frames(index, FrameQuery(cone=Cone(CENTRE, 0.2), limit=50))",
    "frames: in twilight": "frames(index, FrameQuery(sun_altitude_deg=Between(-12.0), limit=50))",
    "frames: with a finding": "frames(index, FrameQuery(any_finding=True, limit=50))",
    "frames: the last 50": "frames(index, FrameQuery(descending=True, limit=50))",
}


def seconds_of(program: str, *arguments: object) -> float:
    """Run a program in a process of its own, with its bytecode as an installed one has, and time it."""
    begun = time.perf_counter()
    command = [sys.executable, "-c", program, *map(str, arguments)]
    subprocess.run(command, check=True, cwd=ROOT, env=ENVIRONMENT, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def compare_rebuilding(folder: Path, count: int, runs: int) -> None:
    """Print how much faster an index is rebuilt than the headers of its frames are read."""
    headers, archive = folder / "headers", folder / "archive"
    headers.mkdir()
    for entry in lights(count):
        assert entry.frame is not None
        (headers / entry.path.rpartition("/")[2]).write_bytes(header_of(entry.frame))
    write_bag(archive / "Field 1", lights(count))
    read, rebuilt = [], []
    for _ in range(runs):
        read.append(seconds_of(READ_HEADERS, headers))
        rebuilt.append(seconds_of(REBUILD, archive, count))
    ratio = min(read) / min(rebuilt)
    print(f"headers of {count:,} frames read by astropy   {min(read):7.2f} s")
    print(f"index of {count:,} frames rebuilt             {min(rebuilt):7.2f} s   {ratio:.1f} times faster")


def compare_sizes(folder: Path, small: int, large: int, runs: int) -> None:
    """Print how long each question takes of a small and of a large index, and their ratio."""
    indexes = [folder / f"{count}.sqlite" for count in (small, large)]
    for path, count in zip(indexes, (small, large), strict=True):
        fill(path, count)
        print(f"an index of {count:,} frames has {path.stat().st_size / 1e6:,.0f} MB")
    print(f"{'':32}{small:>12,}{large:>12,}   ratio")
    ra_deg, dec_deg = position_of(7)
    for name, question in ({"nothing, only the start-up": "()"} | QUESTIONS).items():
        program = ASK.replace("QUESTION", question.replace("CENTRE", f"{ra_deg}, {dec_deg}"))
        times = [[seconds_of(program, path) for path in indexes] for _ in range(runs)]
        few, many = (min(each) for each in zip(*times, strict=True))
        print(f"{name:32}{few:>10.3f} s{many:>10.3f} s   {many / few:5.2f}")


def main() -> None:
    """Run both comparisons."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--runs", type=int, default=7, help="how often each question is asked")
    parser.add_argument("--large", type=int, default=1_000_000, help="frames in the large index")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="nightferry-bench-") as folder:
        compare_rebuilding(Path(folder), 20_000, max(2, arguments.runs // 3))
        compare_sizes(Path(folder), 10_000, arguments.large, arguments.runs)


if __name__ == "__main__":
    main()
