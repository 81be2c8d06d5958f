"""The page of 100,000 frames, and thumbnails beside reading and decoding the same frames.

Run it as `python -m tests.bench.bench_page`; it needs about 2 GB in the folder for temporary files.

Thumbnails: frames of 26 million pixels, 16 bits, plain, as a colour mosaic and tile-compressed, all in the
page cache. Each is read and decoded by astropy into an array, and made into a picture; both in turn, and the
fastest of each counts.

The page: an index whose rows are put straight into the tables, and a thumbnail in place for every light, so
that nothing is left to do but ask, write and compare. Written once anew, once more with nothing changed, and
once more with a night that came to it. Both the clock's seconds and the processor's count.
"""

from __future__ import annotations

import argparse
import gc
import hashlib
import resource
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import numpy as np
from astropy.io import fits

from manifests.bags.paths import PAGE_FOLDER
from manifests.index.frame_query import FrameQuery
from manifests.index.frames import frames
from manifests.index.opening import open_index
from manifests.index.schema import INDEX_NAME
from tests.bench.bench_browse import make_archive
from tests.bench.synthetic_archive import FRAMES_A_NIGHT, add_night
from transfer.archive.nights_told import Place
from transfer.archive.questions import browsed
from transfer.archive.typed_names import NameTables
from transfer.config import Config
from transfer.page.building import PageRequest
from transfer.page.frames_shown import is_shown
from transfer.page.picture import picture_of
from transfer.page.run import make_page
from transfer.page.thumbnails import HEADER, PICTURE, place_of
from transfer.stop import Stop

HEIGHT_PX, WIDTH_PX = 4176, 6248
RUNS = 5


def seconds(act: Callable[[], object]) -> float:
    """Time something."""
    begun = time.perf_counter()
    act()
    return time.perf_counter() - begun


def read_and_decode(path: Path) -> None:
    """Read a frame's pixels into an array of their own, as astropy does it by itself."""
    with fits.open(path) as hdus:
        np.array(next(hdu.data for hdu in hdus if hdu.data is not None))


def bench_thumbnails(folder: Path) -> None:
    """Print what a thumbnail costs beside reading and decoding."""
    rng = np.random.Generator(np.random.PCG64(1))
    pixels = rng.normal(1200, 25, (HEIGHT_PX, WIDTH_PX)).astype(np.uint16)
    forms = {
        "plain": fits.PrimaryHDU(pixels),
        "mosaic": fits.PrimaryHDU(pixels),
        "compressed": fits.CompImageHDU(pixels),
    }
    forms["mosaic"].header["BAYERPAT"] = "RGGB"
    for name, hdu in forms.items():
        path = folder / f"{name}.fits"
        hdu.writeto(path)
        read_and_decode(path), picture_of(folder, path.name)
        acts = partial(read_and_decode, path), partial(picture_of, folder, path.name)
        times = [tuple(map(seconds, acts)) for _ in range(RUNS)]
        read, made = (min(each) for each in zip(*times, strict=True))
        print(
            f"{name:12} read and decoded {read:6.3f} s   thumbnail {made:6.3f} s   ratio {made / read:5.2f}"
        )
        path.unlink()


def bench_page(root: Path, count: int) -> None:
    """Print how long the page of so many frames takes, what of it is written, and its heaviest file."""
    last_night = count // FRAMES_A_NIGHT - 1
    make_archive(root, last_night * FRAMES_A_NIGHT)
    put_pictures(root)
    write_page(root, "written")
    write_page(root, "unchanged")
    with open_index(root / INDEX_NAME, write=True) as index, index.writing() as connection:
        add_night(connection, last_night)
    put_pictures(root)
    before = {path: path.stat().st_ino for path in pages_of(root)}
    write_page(root, "a new night")
    now = {path: path.stat().st_ino for path in pages_of(root)}
    changed = sorted(path.name for path, inode in now.items() if before.get(path) != inode)
    print(f"  of {len(now):,} pages written anew: {', '.join(changed)}")
    heaviest = max(now, key=lambda path: path.stat().st_size)
    print(f"heaviest page: {heaviest.stat().st_size / 1e6:.2f} MB, {heaviest.name}")
    print(f"memory at most: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


def put_pictures(root: Path) -> None:
    """Put something in the place of each thumbnail that is not there."""
    with open_index(root / INDEX_NAME) as index:
        for row in frames(index, FrameQuery()):
            for ending in (PICTURE, HEADER) if is_shown(row) else ():
                path = root / PAGE_FOLDER / place_of(row.sha256, ending)
                if not path.exists():
                    path.parent.mkdir(parents=True, exist_ok=True)
                    path.write_bytes(hashlib.sha256(path.name.encode()).digest())


def pages_of(root: Path) -> Iterator[Path]:
    """Return the paths of all pages."""
    return (root / PAGE_FOLDER).rglob("*.html")


def write_page(root: Path, what: str) -> None:
    """Write the page and print how long it took."""
    request = PageRequest(
        None, Config(Path("nightferry.toml")), NameTables(), Place(-1.9, 51.2), datetime.now(UTC)
    )
    with browsed(root) as archive:
        begun, begun_cpu = time.perf_counter(), time.process_time()
        outcome = make_page(archive, request, Stop(), lambda _: None)
        took_s, worked_s = time.perf_counter() - begun, time.process_time() - begun_cpu
    print(f"{what:12} {took_s:6.1f} s, processor {worked_s:5.1f} s; {outcome.message}", flush=True)


def main() -> None:
    """Run both, with Python's collector as the command sets it."""
    gc.set_threshold(100_000)
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--frames", type=int, default=100_000)
    parser.add_argument("--page-only", action="store_true", help="leave the thumbnails out")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="nightferry-bench-") as folder:
        if not arguments.page_only:
            bench_thumbnails(Path(folder))
        bench_page(Path(folder) / "archive", arguments.frames)


if __name__ == "__main__":
    main()
