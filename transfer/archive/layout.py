"""Where a file belongs in the archive: by target, night and filter, by camera and type, or with its night."""

from __future__ import annotations

from contextlib import suppress
from datetime import date
from typing import NamedTuple

from manifests.bags.companions import is_companion_folder
from manifests.bags.entries import Entry
from manifests.bags.paths import PAYLOAD
from manifests.bags.stored_names import portable_path, same_name_key
from manifests.findings import Finding, FindingKind
from manifests.frames.endings import looks_like_a_frame, looks_like_an_image
from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.stages import known_stage
from transfer.archive.naming import Names

CALIBRATION = "calibration"
NIGHTS = "nights"
RESULTS = "results"
IMAGES = "images"
# Names in the archive's own folder that no target may have: what else lies there, by whatever ending, and
# what would make a bag of the whole.
_RESERVED = frozenset((CALIBRATION, NIGHTS, PAYLOAD, "index", "bagit", "bag-info"))
_RESERVED_BEGINNINGS = ("nightferry", "manifest-", "tagmanifest-")
_LISTED = frozenset((FrameType.DARK, FrameType.FLAT, FrameType.BIAS, FrameType.DARK_FLAT))


class Owner(NamedTuple):
    """Whose a bag of the archive is: the folder it would have, and the label in its bag-info.txt."""

    folder: str
    label: str


CALIBRATION_OWNER = Owner(CALIBRATION, CALIBRATION)


class ArchivePlace(NamedTuple):
    """Where a file belongs: whose bag, and its path there if no other file has that."""

    owner: Owner
    path: str


def place_of(frame: Frame | None, names: Names | None, night: date, stored: str) -> ArchivePlace:
    """Return the place of a file, a frame or not, that lies at `stored` (source and path) on its drive.

    A frame whose type is not known goes with its night, as a log does: where it lay says most about it; so do
    images that are no FITS, below `images`. What was made of raw frames lies apart from them: masters by a
    type of their own, results below `results`.
    """
    name = stored.rpartition("/")[2]
    if frame is None or names is None or frame.frame_type is None:
        other_image = frame is None and looks_like_an_image(name) and not looks_like_a_frame(name)
        below = f"{IMAGES}/{stored}" if other_image else stored
        return ArchivePlace(owner_of_night(night), portable_path(f"{PAYLOAD}/{below}"))
    stage = known_stage(frame)
    if frame.frame_type in _LISTED:
        kind = frame.frame_type.value if stage is Stage.RAW else f"{stage.value} {frame.frame_type.value}"
        folders = [names.camera, kind, night.isoformat()]
        owner = CALIBRATION_OWNER
    else:
        folders = [night.isoformat()] if stage is Stage.RAW else [RESULTS, night.isoformat()]
        owner = owner_of_target(names.target or "")
    if names.filter is not None:
        folders.append(names.filter)
    return ArchivePlace(owner, portable_path("/".join((PAYLOAD, *map(folder_name, folders), name))))


def why_with_its_night(frame: Frame | None) -> tuple[Finding, ...]:
    """Return why a frame goes with its night: its type is not known."""
    if frame is None or frame.frame_type is not None:
        return ()
    what = (
        f"its header says {frame.image_type!r}" if frame.image_type else "its header does not say what it is"
    )
    return (Finding(FindingKind.NO_TYPE, f"{what}: it is filed with its night"),)


def bag_of(place: str) -> str:
    """Return the bag of a file that lies at a place in the archive."""
    return place.partition(f"/{PAYLOAD}/")[0]


def owner_of_night(night: date) -> Owner:
    """Return the owner of a night's logs."""
    return Owner(f"{NIGHTS}/{night.isoformat()}", f"night {night.isoformat()}")


def owner_of_target(target: str) -> Owner:
    """Return the owner of a target's lights; a target called like another bag gets a folder of its own."""
    folder = folder_name(target)
    key = same_name_key(folder)
    if key.partition(".")[0] in _RESERVED or key.startswith(_RESERVED_BEGINNINGS):
        folder = f"{folder} (target)"
    return Owner(folder, f"target {target}")


def owner_of_label(label: str, bag: str) -> Owner:
    """Return the owner that a bag's label names; a bag with a label of its own stays in its folder."""
    kind, _, name = label.partition(" ")
    if label == CALIBRATION_OWNER.label:
        return CALIBRATION_OWNER
    if kind == "target" and name:
        return owner_of_target(name)
    if kind == "night":
        with suppress(ValueError):
            return owner_of_night(date.fromisoformat(name))
    return Owner(bag, label or bag)


def label_of_entry(entry: Entry, bag: str) -> str:
    """Return the label of the bag that a file was filed into, by what the file is."""
    if entry.target is not None:
        return owner_of_target(entry.target).label
    return owner_of_night(entry.night).label if bag.startswith(f"{NIGHTS}/") else CALIBRATION_OWNER.label


def folder_name(name: str) -> str:
    """Return a name, of a target or from a header, as one folder's name that every system takes.

    No name leads anywhere else, none is hidden, and none is a folder that systems keep for themselves.
    """
    stored = portable_path(name.replace("/", "_").replace("\\", "_"))
    if stored.startswith("."):
        stored = f"_{stored[1:]}"
    return f"_{stored}" if is_companion_folder(stored) or stored == "_" else stored
