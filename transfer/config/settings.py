"""What a configuration says, once it is read: plain records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from manifests.frames.calibration.tolerances import Tolerances
from manifests.readings.description import LogDescription


class SourceKind(StrEnum):
    """What a source holds: frames, with whatever lies beside them, or logs."""

    FRAMES = "frames"
    LOGS = "logs"


@dataclass(frozen=True, slots=True)
class Site:
    """Where the telescope stands: north and east are positive, the longitude within ±180°."""

    name: str = ""
    latitude_deg: float | None = None
    longitude_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """A folder to carry from: of its files, those that `take` matches and `leave` does not.

    `name` is the folder's name inside a bag. The kind is "frames" unless the file says "logs": of
    frames each file is looked at, and one that is no frame is carried like any other, so nothing is
    lost where the key is left out. `logs` describe files whose readings and events the archive is to know.
    """

    name: str
    folder: Path
    take: tuple[str, ...] = ("**",)
    leave: tuple[str, ...] = ()
    kind: SourceKind = SourceKind.FRAMES
    logs: tuple[LogDescription, ...] = ()


@dataclass(frozen=True, slots=True)
class DriveName:
    """A drive to send to, by the name it was prepared under; `folder` where it is no mounted volume."""

    name: str
    folder: Path | None = None


@dataclass(frozen=True, slots=True)
class Archive:
    """Where an archive is, and its name, which it has where there are several."""

    folder: Path
    name: str = ""

    @property
    def label(self) -> str:
        """The archive as messages call it: by its name, else by its folder."""
        return self.name or str(self.folder)


@dataclass(frozen=True, slots=True)
class SendOptions:
    """How `send` works; without a time limit it runs until everything is proven.

    Files of the last `catch_up_nights` nights before tonight that are safe nowhere are carried as well.
    `make_room` lets it free nights on a full drive, as `clear --drive` would.
    """

    time_limit_s: float | None = None
    catch_up_nights: int = 30
    make_room: bool = False


@dataclass(frozen=True, slots=True)
class FollowOptions:
    """How `send --follow` works: a frame is whole when it was at rest for `rest_s`.

    `tell` is the person's own program and its words, `{line}` among them, that is told what goes wrong.
    """

    rest_s: float = 20.0
    tell: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ClearOptions:
    """What lets a source's file go: proven in `copies` places, none longer ago than `proven_within_s`.

    On a drive the newest `keep_nights` nights stay whatever others have.
    """

    copies: int = 2
    proven_within_s: float = 400 * 86400.0
    keep_nights: int = 3


@dataclass(frozen=True, slots=True)
class Config:
    """All that a nightferry.toml says; folders are absolute.

    Of several `archives` the first is the one that is asked.
    `records_folder` is where receipts, and what was learned about the sources, are kept on this
    computer; None where the file leaves that to the program. `targets`, `filters`, `telescopes` and
    `cameras` give the name to use for what is written in a header, `keywords` the header's keywords that
    say a fact of a frame, beside those that are known. `failures` are the events that count as failures of a
    night.
    """

    file: Path
    site: Site | None = None
    sources: tuple[Source, ...] = ()
    drives: tuple[DriveName, ...] = ()
    archives: tuple[Archive, ...] = ()
    send: SendOptions = SendOptions()
    follow: FollowOptions = FollowOptions()
    clear: ClearOptions = ClearOptions()
    records_folder: Path | None = None
    targets: Mapping[str, str] = field(default_factory=dict)
    filters: Mapping[str, str] = field(default_factory=dict)
    telescopes: Mapping[str, str] = field(default_factory=dict)
    cameras: Mapping[str, str] = field(default_factory=dict)
    keywords: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    calibration: Tolerances = field(default_factory=Tolerances)
    failures: tuple[str, ...] = ()

    @property
    def archive(self) -> Archive | None:
        """The archive that is asked, if there is one."""
        return self.archives[0] if self.archives else None
