"""Archives made of bags that list frames nobody took: an index reads lists, never a frame."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO

import pytest
from hypothesis import settings

from manifests.bags.bag import BagWriter
from manifests.bags.digests import Digests
from manifests.bags.entries import Entry
from manifests.frames.frame import Frame, FrameType
from manifests.frames.frame_sky import FrameSky
from manifests.index.frame_query import FrameQuery, FrameRow
from manifests.index.frames import frames
from manifests.index.opening import Index, open_index
from manifests.index.rebuilding import BroughtUpToDate, bring_up_to_date, rebuild
from manifests.index.schema import INDEX_NAME

# Flushing to a busy disk takes as long as it takes.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

MARCH_14 = date(2026, 3, 14)


class Make:
    """Entries as filing writes them."""

    @staticmethod
    def entry(path: str, frame: Frame | None = None, **facts: Any) -> Entry:
        """Return the entry of a file whose content is told by its path alone."""
        sha256 = hashlib.sha256(path.encode("utf-8", "surrogatepass")).hexdigest()
        return replace(
            Entry(
                path=path,
                size_bytes=50_112_000,
                digests=Digests(sha256, sha256[:32]),
                modified_ns=1_773_500_000_000_000_000,
                source="frames",
                original=path.rpartition("/")[2],
                night=MARCH_14,
                frame=frame,
            ),
            **facts,
        )

    @staticmethod
    def light(number: int = 1, target: str = "NGC 7331", name: str = "Ha", **facts: Any) -> Entry:
        """Return the entry of a filed light of 300 s; `name` is the filter's."""
        night = facts.get("night", MARCH_14)
        frame = Frame(
            frame_type=FrameType.LIGHT,
            object_name=target.lower(),
            filter_name=name,
            begun_utc=datetime(night.year, night.month, night.day, 20, tzinfo=UTC)
            + timedelta(minutes=5 * number),
            exposure_s=300.0,
            camera="Lantern 26M",
            width_px=6248,
            height_px=4176,
            gain=100.0,
            sensor_deg_c=-10.1,
            ra_deg=339.2,
            dec_deg=34.4,
            focal_length_mm=480.0,
            pixel_um=3.76,
        )
        sky = FrameSky(
            ra_deg=339.267,
            dec_deg=34.416,
            altitude_deg=40.0 + number,
            sun_altitude_deg=-30.0,
            moon_illumination=0.25,
        )
        path = f"data/{night}/{name}/{target} {name} {number:04}.fits"
        return Make.entry(path, frame, **({"target": target, "filter": name, "sky": sky} | facts))

    @staticmethod
    def calibration(number: int, kind: FrameType, exposure_s: float, **facts: Any) -> Entry:
        """Return the entry of a filed dark, flat or bias."""
        frame = Frame(frame_type=kind, exposure_s=exposure_s, camera="Lantern 26M")
        night = facts.get("night", MARCH_14)
        return Make.entry(f"data/Lantern 26M/{kind}/{night}/{kind} {number:04}.fits", frame, **facts)

    @staticmethod
    def framed(of: Entry, **facts: Any) -> Entry:
        """Return an entry with other facts in its frame."""
        assert of.frame is not None
        return replace(of, frame=replace(of.frame, **facts))

    @staticmethod
    def under(of: Entry, **facts: Any) -> Entry:
        """Return an entry with other facts in its sky."""
        assert of.sky is not None
        return replace(of, sky=replace(of.sky, **facts))


class Archive:
    """A folder with bags and an index."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.index_path = folder / INDEX_NAME

    def write(self, name: str, entries: Iterable[Entry]) -> Path:
        """Write a bag's lists, in the place of those it has."""
        folder = self.folder / name

        def create(path: str) -> BinaryIO:
            file = folder / path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.unlink(missing_ok=True)  # replaced, not written over, as the program does it
            return file.open("wb")

        (folder / "data").mkdir(parents=True, exist_ok=True)
        writer = BagWriter(create, {})
        for entry in entries:
            writer.add(entry)
        writer.close()
        return folder

    def bring_up_to_date(self) -> BroughtUpToDate:
        """Do what a job does before it asks."""
        return bring_up_to_date(self.folder)

    def rebuild(self) -> BroughtUpToDate:
        """Build the index anew."""
        return rebuild(self.folder)

    def open(self, **options: Any) -> Index:
        """Open the index."""
        return open_index(self.index_path, **options)

    def frames(self, query: FrameQuery | None = None) -> list[FrameRow]:
        """Ask the index as it is."""
        with self.open() as index:
            return list(frames(index, query or FrameQuery()))

    def dump(self) -> dict[str, list[tuple[Any, ...]]]:
        """Return all that the index says, without the numbers that its rows happen to have."""
        with self.open() as index:
            return {name: sorted(map(repr, rows)) for name, rows in _tables(index).items()}


def _tables(index: Index) -> dict[str, list[tuple[Any, ...]]]:
    """Return every table with ids replaced by what they stand for."""
    bags = {row["id"]: row["path"] for row in index.rows("SELECT id, path FROM bags")}
    series = {row["id"]: row for row in index.rows("SELECT * FROM series")}
    plain = {number: (bags[row["bag_id"]], *row[2:]) for number, row in series.items()}
    files = {row["id"]: row for row in index.rows("SELECT * FROM files")}
    findings = index.rows("SELECT bag_id, file_id, kind, detail, path FROM findings")
    return {
        "bags": [row[:] for row in index.rows("SELECT path, present, fingerprint FROM bags")],
        "series": list(plain.values()),
        "files": [(plain[row["series_id"]], *row[2:]) for row in files.values()],
        "findings": [
            (bags[bag_id], None if file_id is None else files[file_id]["path"], *rest)
            for bag_id, file_id, *rest in findings
        ],
    }


@pytest.fixture(scope="session")
def make() -> type[Make]:
    return Make


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    folder = tmp_path / "archive"
    folder.mkdir()
    return Archive(folder)


@pytest.fixture(scope="session")
def new_archive(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Archive]:
    """For tests that need one archive for each of many examples."""
    return lambda: Archive(tmp_path_factory.mktemp("archive"))
