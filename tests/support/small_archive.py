"""An archive of a test's own: real little frames in real bags, written without the job that files them."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any, BinaryIO

from manifests.bags.bag import BagWriter
from manifests.bags.builder import content_of
from manifests.bags.entries import Entry
from manifests.findings import Finding
from manifests.frames.names.filters import FilterNames
from manifests.frames.names.targets import TargetNames
from transfer.config import Archive, Config

NIGHT = date(2026, 3, 14)
_BLOCK = 2880
_FOLDERS = {"Dark": "dark", "Flat": "flat", "Bias": "bias", "Dark Flat": "dark flat"}


def frame_bytes(seed: str, **cards: Any) -> bytes:
    """Return a frame of eight by eight pixels: its header with these cards, None for one that it has not."""
    facts: dict[str, Any] = {
        "SIMPLE": True,
        "BITPIX": 8,
        "NAXIS": 2,
        "NAXIS1": 8,
        "NAXIS2": 8,
        "IMAGETYP": "Light",
        "DATE-OBS": "2026-03-14T22:00:00",
        "EXPTIME": 300.0,
        "INSTRUME": "Lantern 26",
        "TELESCOP": "Long Tom",
        "XBINNING": 1,
        "YBINNING": 1,
        "GAIN": 100,
        "OFFSET": 30,
        "CCD-TEMP": -10.0,
        "FOCALLEN": 530.0,
    }
    lines = [_card(name, value) for name, value in (facts | cards).items() if value is not None]
    header = ("".join(lines) + "END".ljust(80)).encode()
    pixels = hashlib.shake_128(seed.encode()).digest(64)
    return header + b" " * (-len(header) % _BLOCK) + pixels + bytes(_BLOCK - 64)


def frames_in(folder: Path) -> list[str]:
    """Return the paths of all frames in a folder."""
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*.fits"))


def _card(name: str, value: object) -> str:
    if isinstance(value, bool):
        return f"{name:<8}= {'T' if value else 'F':>20}".ljust(80)
    text = "'" + value.ljust(8) + "'" if isinstance(value, str) else f"{value!r:>20}"
    return f"{name:<8}= {text}".ljust(80)


@dataclass
class SmallArchive:
    """An archive's folder; each frame that is put in stays in its bag's lists."""

    root: Path
    entries: dict[Path, list[Entry]] = field(default_factory=dict)
    make: Callable[..., bytes] = frame_bytes

    def __post_init__(self) -> None:
        self.root.mkdir(parents=True)
        (self.root / "nightferry-archive.toml").write_text("# a test's\n", encoding="utf-8")

    @property
    def config(self) -> Config:
        return Config(file=self.root.parent / "nightferry.toml", archives=(Archive(self.root),))

    def light(
        self, name: str, target: str = "M 33", filter_name: str = "Ha", night: date = NIGHT, **cards: Any
    ) -> Path:
        """File a light."""
        wanted = TargetNames().name(target).canonical
        return self._file(
            wanted or "",
            f"{night}/{filter_name}/{name}",
            night,
            target=wanted,
            known_filter=FilterNames().name(filter_name).canonical,
            **{"OBJECT": target, "FILTER": filter_name, **cards},
        )

    def calibration(
        self, kind: str, name: str, night: date = NIGHT, filter_name: str | None = None, **cards: Any
    ) -> Path:
        """File a dark, flat, dark flat or bias ("Dark", "Flat", …)."""
        below = f"Lantern 26/{_FOLDERS[kind]}/{night}/{name}"
        known = None if filter_name is None else FilterNames().name(filter_name).canonical
        more = {"IMAGETYP": kind, "FILTER": filter_name, **cards}
        return self._file("calibration", below, night, known_filter=known, **more)

    def whole_set(self, count: int = 2) -> None:
        """File calibration frames of every type that fit a light as it comes."""
        for number in range(count):
            self.calibration("Dark", f"dark_{number}.fits")
            self.calibration("Flat", f"flat_{number}.fits", filter_name="Ha", EXPTIME=2.5)
            self.calibration("Dark Flat", f"darkflat_{number}.fits", EXPTIME=2.5)
            self.calibration("Bias", f"bias_{number}.fits", EXPTIME=0.0)

    def _file(
        self,
        bag: str,
        below: str,
        night: date,
        target: str | None = None,
        known_filter: str | None = None,
        findings: tuple[Finding, ...] = (),
        **cards: Any,
    ) -> Path:
        path = self.root / bag / "data" / below
        path.parent.mkdir(parents=True, exist_ok=True)
        when = f"{night}T22:00:00"
        content = self.make(f"{bag}/{below}", **({"DATE-OBS": when} | cards))
        path.write_bytes(content)
        seen = content_of(path.name, [content])
        entry = Entry(
            path=f"data/{below}",
            size_bytes=len(content),
            digests=seen.digests,
            modified_ns=path.stat().st_mtime_ns,
            source="frames",
            original=path.name,
            night=night,
            frame=seen.inspection.frame,
            target=target,
            filter=known_filter,
            findings=(*seen.inspection.findings, *findings),
        )
        self.entries.setdefault(self.root / bag, []).append(entry)
        self.write_lists(self.root / bag)
        return path

    def relist(self, path: Path, **facts: Any) -> None:
        """Change what a frame's bag lists of it."""
        bag = next(bag for bag in self.entries if path.is_relative_to(bag))
        below = path.relative_to(bag).as_posix()
        listed = self.entries[bag]
        self.entries[bag] = [replace(each, **facts) if each.path == below else each for each in listed]
        self.write_lists(bag)

    def write_lists(self, bag: Path) -> None:
        """Write a bag's lists anew."""

        def create(name: str) -> BinaryIO:
            path = bag / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.unlink(missing_ok=True)  # replaced, not written over, as the program does it
            return path.open("wb")

        writer = BagWriter(create, {})
        for entry in self.entries[bag]:
            writer.add(entry)
        writer.close()

    def fingerprint(self) -> dict[str, tuple[str, int, int]]:
        """Return the digest, time and mode of every file but the index: nothing may change one.

        The right to write is left out: links take it away.
        """
        files = (path for path in sorted(self.root.rglob("*")) if path.is_file())
        return {
            os.fspath(path): (
                hashlib.sha256(path.read_bytes()).hexdigest(),
                path.stat().st_mtime_ns,
                path.stat().st_mode & ~0o222,
            )
            for path in files
            if not path.name.startswith("index.")
        }
