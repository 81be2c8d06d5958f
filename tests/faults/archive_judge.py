"""The judge of an archive: its bags, what the drive carries home, and what a run of `file` said.

As the judge of drives it shares nothing with the product.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.faults.judge import (
    Broken,
    Fingerprint,
    Ran,
    listed,
    require,
    require_ended,
    require_listed_there,
    require_told,
    require_valid,
    sha256_of,
)

MARK = "nightferry-archive.toml"
INCOMING = "nightferry-incoming"
_NO_BAGS = {"System Volume Information", "lost+found", INCOMING}
_DEEPEST = 3
_PROVEN = "read back from the medium and equal"


@dataclass(frozen=True)
class Delivered:
    """What lies on a drive that is to be filed: digests by the paths of its files, below the drive."""

    drive: Path
    files: dict[str, str]

    @property
    def contents(self) -> set[str]:
        """The digests of all its files."""
        return set(self.files.values())


def delivered(drive: Path) -> Delivered:
    """Look at a drive's bags."""
    files = {
        path.relative_to(drive).as_posix(): sha256_of(path)
        for path in sorted(drive.glob("*/data/**/*"))
        if path.is_file()
    }
    return Delivered(drive, files)


# What lies in an archive


def archive_bags(archive: Path) -> list[Path]:
    """Return every folder of the archive that is, was, or is to be a bag."""
    return sorted(_bags_below(archive, 1))


def _bags_below(folder: Path, depth: int) -> Iterator[Path]:
    for path in folder.iterdir():
        if not path.is_dir() or path.is_symlink() or path.name in _NO_BAGS:
            continue
        if any((path / name).exists() for name in ("bagit.txt", "manifest-sha256.txt", "data", "nightferry")):
            yield path
        elif depth < _DEEPEST:
            yield from _bags_below(path, depth + 1)


def require_archive_true(archive: Path) -> dict[str, str]:
    """Invariant 2: what any manifest lists is there and matches. Return digests by path in the archive."""
    true = {}
    for bag in archive_bags(archive):
        require_listed_there(bag)
        below = bag.relative_to(archive).as_posix()
        true |= {f"{below}/{path}": sha256 for path, sha256 in listed(bag).items()}
    return true


def require_archive_whole(archive: Path, ever: set[str]) -> None:
    """Invariant 3: whatever stands under a final name is a whole content that a drive has or had."""
    for bag in archive_bags(archive):
        for path in sorted((bag / "data").rglob("*")):
            if path.is_file():
                name, size = path.relative_to(archive).as_posix(), path.stat().st_size
                require(sha256_of(path) in ever, f"{name} is not whole ({size} bytes)")


def require_archive_complete(archive: Path, *brought: Delivered) -> None:
    """Check that all that the drives brought is in valid bags, and that nothing is left lying about."""
    true = require_archive_true(archive)
    for each in brought:
        lost = not_in(archive, true, each)
        require(not lost, f"not in the archive: {lost[:4]}")
    for bag in archive_bags(archive):
        require_valid(bag)
    left = sorted(path.name for path in archive.rglob("*.part"))
    require(not left, f"left lying in the archive: {left}")


def is_at(archive: Path, true: dict[str, str], to: str, sha256: str, size: int) -> bool:
    """Return whether a listed file is this content, or begins with it: a log that has grown since."""
    if true.get(to) == sha256:
        return True
    if to not in true or not to.startswith("nights/"):
        return False
    with (archive / to).open("rb") as file:
        return hashlib.sha256(file.read(size)).hexdigest() == sha256


def not_in(archive: Path, true: dict[str, str], brought: Delivered) -> list[str]:
    """Return the files of a drive that the archive does not list, as they are or grown since."""
    return sorted(
        path
        for path, sha256 in brought.files.items()
        if sha256 not in true.values() and not _has_grown(archive, true, brought.drive / path, sha256)
    )


def _has_grown(archive: Path, true: dict[str, str], file: Path, sha256: str) -> bool:
    places = [to for to in true if to.rpartition("/")[2] == file.name]
    return any(is_at(archive, true, to, sha256, file.stat().st_size) for to in places)


def archive_id(archive: Path) -> str:
    """Return the archive's id; empty where it has no mark."""
    path = archive / MARK
    return str(tomllib.loads(path.read_text(encoding="utf-8"))["id"]) if path.exists() else ""


# What a drive carries home


def require_drive_kept(before: Fingerprint, after: Fingerprint, drive: Path) -> None:
    """Invariant 1, for a drive that is filed: only the acknowledgement may come, and the key go."""
    changed = {path for path in before.keys() | after.keys() if before.get(path) != after.get(path)}
    touched = sorted(path for path in changed if not _may_be_written(Path(path).relative_to(drive)))
    require(not touched, f"the drive that is filed changed: {touched[:4]}")
    for manifest in drive.glob("*/manifest-sha256.txt"):
        require_listed_there(manifest.parent)


def _may_be_written(path: Path) -> bool:
    if path.name in ("tagmanifest-sha256.txt", "nightferry-key.toml"):
        return True
    word = path.name.startswith("acknowledgement-") and path.parent.name == "nightferry"
    return word or path.parent.name == "incoming"


def words_on(drive: Path) -> dict[Path, bytes]:
    """Return every archive's acknowledgement on a drive, by its path."""
    return {path: path.read_bytes() for path in sorted(drive.glob("*/nightferry/acknowledgement-*.json"))}


def require_words_true(
    drive: Path, archive: Path, true: dict[str, str], before: dict[Path, bytes]
) -> set[Path]:
    """Check that acknowledgements name only what the manifests list. Return the bags they are for.

    A word that stands there from before is of the bag as it was, and may have been overtaken.
    """
    answered = set()
    for path, content in words_on(drive).items():
        told = _parsed(path, content)
        bag = path.parent.parent
        if told["manifest_sha256"] != sha256_of(bag / "manifest-sha256.txt"):
            require(before.get(path) == content, f"{path.name} is of another manifest than the bag's")
            continue
        require(told["archive"]["id"] == archive_id(archive), f"{path.name} is of another archive")
        for file in told["files"]:
            there = is_at(archive, true, file["to"], file["sha256"], file["size_bytes"])
            require(there, f"acknowledged, and not in the archive: {file['to']}")
        named = {file["path"]: file["sha256"] for file in told["files"]}
        require(named == listed(bag), f"{path.name} does not name what the bag has")
        answered.add(bag)
    return answered


def _parsed(path: Path, content: bytes) -> dict[str, Any]:
    try:
        return dict(json.loads(content))
    except ValueError:
        raise Broken(f"{path.name} is not whole: {content[:100]!r}") from None


def require_answered(drive: Path, archive: Path, true: dict[str, str]) -> None:
    """Check that every bag of a drive has an acknowledgement of all its files, and is valid."""
    answered = require_words_true(drive, archive, true, {})
    bags = {path.parent for path in drive.glob("*/manifest-sha256.txt")}
    require(answered == bags, f"no word of the archive in {sorted(bag.name for bag in bags - answered)}")
    for bag in bags:
        require_valid(bag)
        pinned = (bag / "tagmanifest-sha256.txt").read_text(encoding="utf-8")
        word = f"nightferry/acknowledgement-{archive_id(archive)}.json"
        require(word in pinned, "the archive's word is not pinned by the tag manifest")


# What a run said


def require_file_truth(ran: Ran, archive: Path, brought: Delivered, before: dict[Path, bytes]) -> None:
    """Invariant 4, for `file`: exit code, message, JSON and acknowledgement claim nothing untrue."""
    true = require_archive_true(archive)
    answered = require_words_true(brought.drive, archive, true, before)
    if ran.killed:
        return
    told = require_told(ran)
    if ran.exit == 0:
        lost = not_in(archive, true, brought)
        require(not lost, f"exit 0, and not listed: {lost[:4]}")
    if told:
        _require_document_true(told, brought, answered)
        _require_files_true(told, archive, true, brought)


def _require_document_true(told: dict[str, Any], brought: Delivered, answered: set[Path]) -> None:
    require(_PROVEN not in told["message"] or told["read_back"] == "medium", "proven, but not read back")
    require(told["exit"] != 0 or told["refused"] == 0, "exit 0 with files refused")
    require(told["exit"] in (0, 2, 3, 5) or told["findings"] or "." in told["message"], "no reason given")
    for each in told.get("deliveries", []):
        if each["acknowledged"]:
            require(Path(each["path"]) in answered, f"acknowledged, it says, and there is no word: {each}")
        elif told["exit"] == 0:
            require(each["not_acknowledged_because"], "exit 0, no word on the drive, and nothing about it")


def _require_files_true(
    told: dict[str, Any], archive: Path, true: dict[str, str], brought: Delivered
) -> None:
    states = {"filed": 0, "already there": 0, "refused": 0}
    for file in told.get("files", []):
        states[file["state"]] += 1
        if file["state"] == "refused":
            continue
        path = Path(file["path"]).relative_to(brought.drive).as_posix()
        size = (brought.drive / path).stat().st_size
        there = is_at(archive, true, file["to"], brought.files[path], size)
        require(there, f"{file['state']}, it says, and not listed: {path}")
    first = (told.get("archives") or [told])[0]  # whose files these are
    counted = (told["filed"], told["already_there"], first["refused"])
    require(tuple(states.values()) == counted, f"it counts {counted} and lists {states}")
    require(told["exit"] != 0 or sum(counted) == len(brought.files), f"exit 0, and counts {counted}")


def require_lights_shown(ran: Ran, *brought: Delivered) -> None:
    """Check that the archive's index can be asked, and shows each light once."""
    require_ended(ran, "frames", 0)
    shown = sorted(frame["sha256"] for frame in ran.document["frames"] if frame["type"] == "light")
    files = [file for each in brought for file in each.files.items()]
    lights = {sha256 for path, sha256 in files if "light" in path}
    require(shown == sorted(lights), f"{len(lights)} lights, and frames shows {len(shown)}")
