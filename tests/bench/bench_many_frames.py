"""A thousand frames of 26 million pixels: thumbnails, then measures, and the memory of all processes at work.

Run it as `python -m tests.bench.bench_many_frames FOLDER`. The folder is made, kept, and taken up again where
it is there: a run that `--most-s` or a signal ended goes on with the next, as the commands do. Files share
their blocks where the file system lets them (Btrfs, XFS), and then take 2 GB there; elsewhere 60 GB.

A quarter each is plain 16 bit, a colour mosaic, tile-compressed and 32 bit float: one field of stars in each
form, and copies of it that differ in their last bytes. Memory is the proportional share (Pss, Linux) of this
process and of all that it started, looked at five times a second, the largest sum since the line before.
"""

from __future__ import annotations

import argparse
import hashlib
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import xxhash

from manifests.bags.builder import content_of
from manifests.bags.digests import Digests
from manifests.bags.entries import Entry
from tests.bench.bench_measures import FIELD
from tests.support.small_archive import NIGHT, SmallArchive
from tests.support.star_fields import counts, fits_of
from transfer.archive.nights_told import Place
from transfer.archive.questions import browsed
from transfer.archive.typed_names import NameTables
from transfer.config import Config
from transfer.errors import StoppedEarly
from transfer.events import BytesDone, Event
from transfer.jobs.measures.run import measure_archive
from transfer.page.building import PageRequest
from transfer.page.run import make_page
from transfer.stop import Stop

MARKS = (10, 100, 200, 300, 400, 500, 600, 700, 800, 900, 1000)
_SAMPLE_S = 0.2
_OWN_BYTES = 8


def forms() -> Iterator[tuple[str, bytes]]:
    """Yield one field of stars in each form."""
    image = counts(FIELD.image())
    cards: dict[str, Any] = {"IMAGETYP": "Light", "OBJECT": "M 33", "FILTER": "Ha", "EXPTIME": 300.0}
    yield "plain", fits_of(image, **cards)
    yield "mosaic", fits_of(image, BAYERPAT="RGGB", **cards)
    yield "compressed", fits_of(image, compressed=True, **cards)
    yield "float", fits_of(image.astype(np.float32), **cards)


def make_archive(root: Path, count: int) -> None:
    """Make a bag of so many frames."""
    archive = SmallArchive(root)
    bag = archive.root / "M 33"
    for form, content in forms():
        assert content.endswith(bytes(_OWN_BYTES))  # what fills the last block belongs to no pixel
        first = bag / "data" / str(NIGHT) / "Ha" / f"0000 {form}.fits"
        first.parent.mkdir(parents=True, exist_ok=True)
        first.write_bytes(content)
        seen = content_of(first.name, [content])
        sha256, xxh128 = hashlib.sha256(content[:-_OWN_BYTES]), xxhash.xxh3_128(content[:-_OWN_BYTES])
        entry = Entry(
            path=first.relative_to(bag).as_posix(),
            size_bytes=len(content),
            digests=seen.digests,
            modified_ns=first.stat().st_mtime_ns,
            source="frames",
            original=first.name,
            night=NIGHT,
            frame=seen.inspection.frame,
            target="M 33",
            filter="Ha",
        )
        archive.entries.setdefault(bag, []).append(entry)
        for number in range(1, count // 4):
            path = first.with_name(f"{number:04} {form}.fits")
            own = number.to_bytes(_OWN_BYTES, "big")
            clone(first, path, own)
            digests = []
            for digest in (sha256.copy(), xxh128.copy()):
                digest.update(own)
                digests.append(digest.hexdigest())
            below = path.relative_to(bag).as_posix()
            archive.entries[bag].append(replace(entry, path=below, digests=Digests(*digests)))
    archive.write_lists(bag)


def clone(source: Path, path: Path, own: bytes) -> None:
    """Copy a file, its blocks shared where that can be, with an end of its own."""
    subprocess.run(["cp", "--reflink=auto", source, path], check=True)
    with path.open("r+b") as file:
        file.seek(-len(own), 2)
        file.write(own)


class Watch:
    """Counts the frames that are done, and looks at the memory of this process and its children."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._done = 0
        self._most_kb = 0
        self._begun_s = time.perf_counter()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._look_on, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        self._thread.join()
        self._tell("in all")

    def take(self, event: Event) -> None:
        """Follow an event of the run."""
        if isinstance(event, BytesDone):
            self._done += 1
            if self._done in MARKS:
                self._tell("")

    def _tell(self, when: str) -> None:
        took_s = time.perf_counter() - self._begun_s
        rate = 60 * self._done / took_s
        print(
            f"{self._what:10} {self._done:5,} frames {took_s:7.1f} s {rate:7.0f} a minute"
            f"   memory at most {self._most_kb / 1e3:6.0f} MB {when}",
            flush=True,
        )
        self._most_kb = 0

    def _look_on(self) -> None:
        while not self._ended.wait(_SAMPLE_S):
            self._most_kb = max(self._most_kb, sum(map(memory_kb, family("self"))))


def family(process: str) -> Iterator[str]:
    """Yield a process and all that it started, by their numbers."""
    yield process
    for children in Path(f"/proc/{process}/task").glob("*/children"):
        with suppress(OSError):
            for child in children.read_text().split():
                yield from family(child)


def memory_kb(process: str) -> int:
    """Return a process's share of the memory that it uses, 0 where it has ended."""
    with suppress(OSError):
        for line in Path(f"/proc/{process}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                return int(line.split()[1])
    return 0


def make_pages(root: Path, most_s: float | None, listen: Callable[[Event], None]) -> str:
    """Make the thumbnails and the page, as `nightferry page` does."""
    place, now = Place(-1.9, 51.2), datetime.now(UTC)
    request = PageRequest(None, Config(Path("nightferry.toml")), NameTables(), place, now)
    try:
        with browsed(root) as archive:
            return make_page(archive, request, Stop(most_s), listen).message
    except StoppedEarly as ended:
        return str(ended)


def measure(root: Path, most_s: float | None, listen: Callable[[Event], None]) -> str:
    """Measure the frames, as `nightferry index --measures` does."""
    return measure_archive(root, lambda: "", listen, most_s=most_s).message


def main() -> None:
    """Make the frames where they are not there, and run both."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--frames", type=int, default=1000)
    parser.add_argument("--most-s", type=float, default=None, help="end each run after so many seconds")
    parser.add_argument("--only", choices=("thumbnails", "measures"))
    arguments = parser.parse_args()
    root = arguments.folder / "archive"
    if not root.exists():
        make_archive(root, arguments.frames)
    for what, act in (("thumbnails", make_pages), ("measures", measure)):
        if arguments.only in (None, what):
            with Watch(what) as watch:
                message = act(root, arguments.most_s, watch.take)
            print(f"  {message}", flush=True)


if __name__ == "__main__":
    main()
