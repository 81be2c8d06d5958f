"""The commands that browse the archive, as whole processes, with a small archive and a large one.

Run it as `python -m tests.bench.bench_browse`; it needs about 1 GB in the folder for temporary files.

An archive of 10,000 frames and one of 1,000,000: an index each, its rows put straight into the tables, and
the folder of every bag that it knows, with what a command looks at to see whether the bag has changed. A
command starts, looks at all bags, asks, and writes its list into a pipe. The archives take turns, and the
fastest run of each counts: it is the one that other programs disturbed least.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from datetime import date
from pathlib import Path

from manifests.bags.paths import TAG_MANIFEST
from manifests.index.found_bags import stamp_of
from manifests.index.opening import open_index
from manifests.index.schema import INDEX_NAME
from tests.bench.synthetic_archive import fill

ROOT = Path(__file__).resolve().parents[2]
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
ENVIRONMENT["PYTHONPYCACHEPREFIX"] = tempfile.mkdtemp()

NIGHT = date(2016, 1, 12).isoformat()
COMMANDS = {
    "--version (the start-up)": ["--version"],
    "targets": ["targets"],
    "targets --json": ["targets", "--json"],
    "nights": ["nights"],
    "frames: target, filter, night": ["frames", "--target", "Field 7", "--filter", "Ha", "--night", NIGHT],
    "the same, as JSON": ["frames", "--json", "--target", "Field 7", "--filter", "Ha", "--night", NIGHT],
    "frames: one night's": ["frames", "--night", NIGHT, "--limit", "50"],
    "frames: the last 50": ["frames", "--descending", "--limit", "50"],
    "frames: with a finding": ["frames", "--finding", "any", "--limit", "50"],
    "frames: near a position": ["frames", "--position", "242.556 -20.34", "--radius", "0.2", "--limit", "50"],
}


def make_archive(root: Path, count: int) -> None:
    """Make an archive's index, the folders of its bags, and let the index know them by their stamps."""
    root.mkdir()
    fill(root / INDEX_NAME, count)
    with open_index(root / INDEX_NAME, write=True) as index, index.writing() as connection:
        nights = [night for (night,) in index.rows("SELECT DISTINCT night FROM series")]
        connection.executemany(
            "INSERT INTO bags (path) VALUES (?)", [(f"nights/{night}",) for night in nights]
        )
        for number, path in list(index.rows("SELECT id, path FROM bags")):
            stamp = make_bag(root / path)
            connection.execute(
                "UPDATE bags SET fingerprint = ?, tag_size_bytes = ?, tag_modified_ns = ?, tag_inode = ?"
                " WHERE id = ?",
                (hashlib.sha256(path.encode()).hexdigest(), *stamp, number),
            )


def make_bag(folder: Path) -> tuple[int, ...]:
    """Make what of a bag is looked at, and give its stamp."""
    (folder / "data").mkdir(parents=True)
    (folder / "nightferry").mkdir()
    for name in ("bagit.txt", "bag-info.txt", "manifest-sha256.txt", "nightferry/entries.jsonl"):
        (folder / name).touch()
    (folder / TAG_MANIFEST).write_text("a list of lists")
    stamp = stamp_of(folder)
    assert stamp is not None
    return stamp


def seconds_of(command: list[str], root: Path) -> float:
    """Run a command into a pipe that is read to its end, and time it."""
    archive = [] if command[0].startswith("-") else ["--archive", str(root)]
    begun = time.perf_counter()
    arguments = [sys.executable, "-m", "transfer", *command, *archive]
    program = subprocess.Popen(
        arguments,
        cwd=ROOT,
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
    )
    assert program.stdout is not None
    with closing(program.stdout) as out:
        while out.read(1 << 16):
            pass
    assert program.wait() == 0, command
    return time.perf_counter() - begun


def main() -> None:
    """Make both archives and time every command."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--runs", type=int, default=9, help="how often each command is run")
    parser.add_argument("--large", type=int, default=1_000_000, help="frames in the large archive")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="nightferry-bench-") as folder:
        roots = [Path(folder) / str(count) for count in (10_000, arguments.large)]
        for root in roots:
            make_archive(root, int(root.name))
        print(f"{'':32}{10_000:>12,}{arguments.large:>12,}   ratio")
        for name, command in COMMANDS.items():
            times = [[seconds_of(command, root) for root in roots] for _ in range(arguments.runs)]
            few, many = (min(each) for each in zip(*times, strict=True))
            print(f"{name:32}{few:>10.3f} s{many:>10.3f} s   {many / few:5.2f}")


if __name__ == "__main__":
    main()
