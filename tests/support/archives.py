"""Archives of a test's own: bags that list frames nobody took, as `file` would have filed them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO

from manifests.bags.bag import BagWriter
from manifests.bags.digests import Digests
from manifests.bags.entries import Entry
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame, FrameType
from manifests.frames.frame_sky import FrameSky

MARCH_14 = date(2026, 3, 14)
MARCH_15 = date(2026, 3, 15)


def entry(path: str, night: date = MARCH_14, frame: Frame | None = None, **facts: Any) -> Entry:
    """Return the entry of a file."""
    digest = hashlib.sha256(path.encode())
    plain = Entry(
        path=path,
        size_bytes=50_112_000,
        digests=Digests(digest.hexdigest(), digest.hexdigest()[:32]),
        modified_ns=1_773_500_000_000_000_000,
        source="frames",
        original=path.rpartition("/")[2],
        night=night,
        frame=frame,
    )
    return replace(plain, **facts)


def light(
    number: int,
    target: str = "M 51",
    name: str = "Ha",
    night: date = MARCH_14,
    frame: Any = None,
    stem: str = "",
    **facts: Any,
) -> Entry:
    """Return the entry of a filed light of 600 s; `frame` and `facts` say what is different about it."""
    begun = datetime(night.year, night.month, night.day, 21, tzinfo=UTC) + timedelta(minutes=11 * number)
    taken = Frame(
        frame_type=FrameType.LIGHT,
        image_type="Light Frame",
        object_name=target.lower(),
        filter_name="H-alpha" if name == "Ha" else name,
        begun_utc=begun,
        exposure_s=600.0,
        camera="Lantern 26M",
        telescope="Refractor 80",
        width_px=6248,
        height_px=4176,
        bin_x=1,
        bin_y=1,
        gain=100.0,
        sensor_deg_c=-10.1,
        ra_deg=202.4,
        dec_deg=47.2,
        focal_length_mm=480.0,
        pixel_um=3.76,
        altitude_deg=61.0,
    )
    sky = FrameSky(202.47, 47.195, 60.0 + number / 10, 100.0, 1.15, -30.0, -5.0, 0.2, 90.0)
    plain = {"target": target, "filter": name, "sky": sky}
    path = f"data/{night}/{name}/{stem or target} {name} {number:03}.fits"
    return entry(path, night, replace(taken, **(frame or {})), **(plain | facts))


def sky(of: Entry, **facts: Any) -> Entry:
    """Return an entry with another sky."""
    assert of.sky is not None
    return replace(of, sky=replace(of.sky, **facts))


def calibration(
    kind: FrameType, number: int, exposure_s: float, night: date = MARCH_14, **facts: Any
) -> Entry:
    """Return the entry of a filed calibration frame."""
    frame = Frame(frame_type=kind, image_type=kind.title(), exposure_s=exposure_s, camera="Lantern 26M")
    path = f"data/Lantern 26M/{kind}/{night}/{kind} {number:03}.fits"
    return entry(path, night, replace(frame, **facts))


def log(name: str, night: date = MARCH_14) -> Entry:
    """Return the entry of a filed log."""
    return entry(f"data/{name}", night)


def finding(kind: FindingKind = FindingKind.NO_DATE) -> tuple[Finding, ...]:
    """Return the findings of an entry with one."""
    return (Finding(kind, "as a test has it"),)


def write_bag(folder: Path, entries: Iterable[Entry]) -> Path:
    """Write a bag's lists, in the place of those it has, and empty files: an index reads nothing else."""

    def create(name: str) -> BinaryIO:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)  # replaced, not written over, as the program does it
        return path.open("wb")

    (folder / "data").mkdir(parents=True, exist_ok=True)
    writer = BagWriter(create, {})
    for one in entries:
        writer.add(one)
        (folder / one.path).parent.mkdir(parents=True, exist_ok=True)
        (folder / one.path).touch()
    writer.close()
    return folder


def small_archive(root: Path) -> Path:
    """Make an archive of 14 frames in two nights: 10 lights of two targets, 4 for calibration; and 2 logs."""
    write_bag(
        root / "M 51",
        [
            *(light(number) for number in range(4)),
            *(light(number, name="L", frame={"exposure_s": 300.0}) for number in range(4, 6)),
            light(6, night=MARCH_15, findings=finding()),
        ],
    )
    write_bag(
        root / "NGC 4565",
        [
            sky(
                light(number, "NGC 4565", "OIII"),
                ra_deg=189.09,
                dec_deg=25.99,
                altitude_deg=25.0,
                sun_altitude_deg=-10.0,
            )
            for number in range(10, 13)
        ],
    )
    write_bag(
        root / "calibration",
        [
            *(calibration(FrameType.DARK, number, 600.0) for number in range(2)),
            *(calibration(FrameType.BIAS, number, 0.0) for number in range(2, 4)),
        ],
    )
    write_bag(root / "nights" / "2026-03-14", [log("Mount/diary.log"), log("Supply readings/readings.csv")])
    return root
