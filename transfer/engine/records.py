"""What this computer remembers between runs: nights of source frames, what drives hold, receipts.

A memory, never a truth: each part is used only where it still fits what lies on the disks, and may be
deleted at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import time
from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TextIO

from manifests.bags.acknowledgement_keys import Key, new_key
from transfer.engine.bag.listed import Known, Origin, known_of

if TYPE_CHECKING:
    from manifests.bags.entries import Entry

_FORMAT = 1
_KEY = "archive-key.txt"
_SENDS_KEPT = 5

_RECEIPT = "%Y-%m-%dT%H%M%SZ.txt"
_IS_RECEIPT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{6}Z\.txt")
_RECEIPTS_LAST = timedelta(days=2 * 365)
_RECEIPTS_STAY = 100
_IS_PART = re.compile(r"\.[0-9]+\.part\Z")
_PART_IS_DEAD_S = 86400.0


class Timed(NamedTuple):
    """One send to a drive: what was written and read back there, and how long each took."""

    write_bytes: int
    write_s: float
    read_bytes: int
    read_s: float


class Records:
    """The folder on this computer where runs leave what the next one can use. Never raises.

    A computer whose disk is full or read-only can still send.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    # Nights of frames

    def nights(self, longitude_deg: float) -> dict[str, dict[str, list[Any]]]:
        """Return, by source and path, the size, modification time and night of each frame seen before."""
        document = self._read("frames-seen.json")
        if document.get("longitude_deg") != longitude_deg:
            return {}
        sources = document.get("sources")
        return sources if isinstance(sources, dict) else {}

    def keep_nights(self, longitude_deg: float, sources: Mapping[str, Mapping[str, list[Any]]]) -> None:
        """Remember the nights of the frames that are there now."""
        self._write("frames-seen.json", {"longitude_deg": longitude_deg, "sources": sources})

    # Contents of sources that were read because their time is another than the one they were carried with

    def contents(self) -> dict[Origin, tuple[int, int, str]]:
        """Return size, modification time and SHA-256 of such sources, as they were when they were read."""
        try:
            rows = self._read("contents-read.json").get("files") or ()
            return {(row[0], row[1]): (row[2], row[3], row[4]) for row in rows}
        except (TypeError, IndexError):
            return {}

    def keep_contents(self, contents: Mapping[Origin, tuple[int, int, str]]) -> None:
        """Remember the contents of such sources, and of no other."""
        if contents != self.contents():
            self._write(
                "contents-read.json", {"files": [[*origin, *facts] for origin, facts in contents.items()]}
            )

    # What a bag on a drive holds

    def bag(self, drive_id: str, night: date, fingerprint: str) -> list[tuple[Origin, Known]] | None:
        """Return what a bag lists, in its order, if the bag is the one that was remembered."""
        document = self._read(self._bag_file(drive_id, night))
        if document.get("fingerprint") != fingerprint:
            return None
        try:
            return [((row[0], row[1]), Known(*row[2:])) for row in document["files"]]
        except (KeyError, TypeError, IndexError):
            return None

    def own_in_bag(self, drive_id: str, night: date) -> set[tuple[str, str]]:
        """Return path and SHA-256 of what a bag listed when it was last remembered, and was read here."""
        rows = self._rows(self._read(self._bag_file(drive_id, night)))
        return {(known.path, known.sha256) for _, known in rows if known.own}

    def has_own_in_bag(self, drive_id: str, night: date, listed: Iterable[Known] = ()) -> bool:
        """Return whether this computer sent anything of what a bag lists, or did when last remembered.

        `listed` is what this run knows of the bag already; where that says it, nothing is read.
        """
        if any(known.own for known in listed):
            return True
        rows = self._read(self._bag_file(drive_id, night)).get("files")
        try:
            return any(Known(*row[2:]).own for row in rows or ())
        except TypeError:
            return False

    def remember_bag(self, drive_id: str, night: date) -> BagMemory:
        """Begin to remember what a bag lists, entry by entry."""
        return BagMemory(self.folder / self._bag_file(drive_id, night))

    def forget_bag(self, drive_id: str, night: date) -> None:
        """Forget what a bag lists: it lists less now."""
        with contextlib.suppress(OSError):
            (self.folder / self._bag_file(drive_id, night)).unlink(missing_ok=True)

    def proven_elsewhere(self, night: date, drives: Collection[str]) -> Iterator[tuple[Origin, Known]]:
        """Yield what the bags of a night list on drives that are not among these, as last remembered."""
        for drive_id in self._names("bags"):
            if drive_id not in drives:
                yield from self._rows(self._read(self._bag_file(drive_id, night)))

    @staticmethod
    def _rows(document: Mapping[str, Any]) -> list[tuple[Origin, Known]]:
        try:
            return [((row[0], row[1]), Known(*row[2:])) for row in document["files"]]
        except (KeyError, TypeError, IndexError):
            return []

    def _names(self, folder: str) -> list[str]:
        try:
            return sorted(path.name for path in (self.folder / folder).iterdir())
        except OSError:
            return []

    @staticmethod
    def _bag_file(drive_id: str, night: date) -> str:
        return f"bags/{drive_id}/{night.isoformat()}.json"

    # How long sends to a drive took

    def timed(self, drive_id: str) -> list[Timed]:
        """Return how long the last sends to a drive took, the latest last."""
        sends = self._read(self._timed_file(drive_id)).get("sends")
        try:
            return [Timed(int(a), float(b), int(c), float(d)) for a, b, c, d in sends or ()]
        except (TypeError, ValueError, OverflowError):
            return []

    def keep_timed(self, drive_id: str, send: Timed) -> None:
        """Remember how long a send to a drive took, and forget all but the last few."""
        sends = [*self.timed(drive_id), send][-_SENDS_KEPT:]
        self._write(self._timed_file(drive_id), {"sends": [list(each) for each in sends]})

    @staticmethod
    def _timed_file(drive_id: str) -> str:
        return f"timed/{drive_id}.json"

    # What archives have acknowledged

    def keep_acknowledged(
        self, drive_id: str, night: date, fingerprint: str, files: Iterable[tuple[Origin, int, int, str]]
    ) -> None:
        """Remember the files, with sizes, times and SHA-256, that acknowledgements in a drive's bag cover."""
        rows = [[*origin, *facts] for origin, *facts in files]
        document = {"fingerprint": _digest(fingerprint), "files": rows}
        self._write(self._acknowledged_file(drive_id, night), document)

    def has_acknowledgements_of(self, drive_id: str, night: date, fingerprint: str) -> bool:
        """Return whether what the bag with this fingerprint has of acknowledgements is remembered."""
        known = self._read(self._acknowledged_file(drive_id, night))
        return known.get("fingerprint") == _digest(fingerprint)

    def acknowledged(self, night: date) -> Iterator[tuple[Origin, int, int, str]]:
        """Yield the files of a night that archives have acknowledged: size, time and SHA-256 of each then."""
        for drive_id in self._names("acknowledged"):
            rows = self._read(self._acknowledged_file(drive_id, night)).get("files")
            for row in rows if isinstance(rows, list) else ():
                try:
                    source, path, size_bytes, modified_ns, sha256 = row
                except (TypeError, ValueError):
                    continue
                yield (source, path), size_bytes, modified_ns, sha256

    def forget_acknowledged(self, night: date) -> None:
        """Forget which files of a night are acknowledged: drives that are seen again say it anew."""
        for drive_id in self._names("acknowledged"):
            with contextlib.suppress(OSError):
                (self.folder / self._acknowledged_file(drive_id, night)).unlink(missing_ok=True)

    @staticmethod
    def _acknowledged_file(drive_id: str, night: date) -> str:
        return f"acknowledged/{drive_id}/{night.isoformat()}.json"

    # This computer's key, and the acknowledgements that archives have signed with it

    def key(self) -> Key | None:
        """Return the key that archives sign with, made when it is first asked for; None where it can't be."""
        for _ in range(2):
            try:
                return Key((self.folder / _KEY).read_text(encoding="ascii").strip())
            except FileNotFoundError:
                self._make_key()
            except (OSError, ValueError):
                return None
        return None

    def _make_key(self) -> None:
        """Make a key. Of two runs that do so at once the second one's stays: the other's signs nothing."""
        with contextlib.suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            part = _part_of(self.folder / _KEY)
            part.unlink(missing_ok=True)
            descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w", encoding="ascii") as file:
                file.write(new_key().secret)
                file.flush()
                os.fsync(file.fileno())
            part.replace(self.folder / _KEY)

    def standing(self, archive_id: str) -> tuple[datetime, frozenset[str]] | None:
        """Return what an archive has last said of all that it acknowledged, and when; None where nothing."""
        document = self._read(self._standing_file(archive_id))
        try:
            return datetime.fromisoformat(document["acknowledged"]), frozenset(document["stands"])
        except (KeyError, TypeError, ValueError):
            return None

    def keep_standing(self, archive_id: str, acknowledged: datetime, stands: Collection[str]) -> None:
        """Remember what an archive has said, last of all, of all that it acknowledged."""
        document = {"acknowledged": acknowledged.isoformat(), "stands": sorted(stands)}
        self._write(self._standing_file(archive_id), document)

    @staticmethod
    def _standing_file(archive_id: str) -> str:
        return f"standing/{archive_id}.json"

    def archives_that_sign(self) -> set[str]:
        """Return the ids of the archives that have signed with this computer's key."""
        return set(self._names("signed"))

    def keep_signed(self, archive_id: str, night: date, manifest_sha256: str, content: bytes) -> None:
        """Keep an acknowledgement that an archive has signed: the last one of a manifest."""
        name = f"signed/{archive_id}/{night.isoformat()}/{manifest_sha256}.json"
        try:
            known = (self.folder / name).read_bytes() == content
        except OSError:
            known = False
        if not known:
            self._put(name, content)

    def drop_signed(self, archive_id: str, night: date) -> None:
        """Forget what an archive has signed of a night."""
        below = f"signed/{archive_id}/{night.isoformat()}"
        for name in self._names(below):
            with contextlib.suppress(OSError):
                (self.folder / below / name).unlink()

    def signed_acknowledgements(self) -> Iterator[tuple[date, bytes]]:
        """Yield the acknowledgements that were kept, each with its night."""
        for archive_id in self._names("signed"):
            for night in self._names(f"signed/{archive_id}"):
                for name in self._names(f"signed/{archive_id}/{night}"):
                    with contextlib.suppress(OSError, ValueError):
                        path = self.folder / "signed" / archive_id / night / name
                        if path.suffix == ".json":
                            yield date.fromisoformat(night), path.read_bytes()

    # Archives

    def archive_at(self, folder: Path) -> str | None:
        """Return the id of the archive that a run of this computer has met in a folder, or None."""
        folders = self._read("archives.json").get("folders")
        known = folders.get(str(folder.absolute())) if isinstance(folders, dict) else None
        return known if isinstance(known, str) else None

    def keep_archive(self, folder: Path, archive_id: str) -> None:
        """Remember the archive in a folder."""
        if self.archive_at(folder) != archive_id:
            folders = self._read("archives.json").get("folders")
            known = folders if isinstance(folders, dict) else {}
            self._write("archives.json", {"folders": known | {str(folder.absolute()): archive_id}})

    # What was checked

    def keep_checked(self, drive_id: str, night: date, fingerprint: str) -> None:
        """Remember that a night's bag on a drive was read again, as this fingerprint has it, and holds."""
        self._write(self._checked_file(drive_id, night), {"fingerprint": _digest(fingerprint)})

    def checked(self, night: date) -> Iterator[tuple[Origin, Known]]:
        """Yield what the bags of a night list that were checked as they were last remembered."""
        for drive_id in self._names("checked"):
            checked = self._read(self._checked_file(drive_id, night)).get("fingerprint")
            bag = self._read(self._bag_file(drive_id, night))
            fingerprint = bag.get("fingerprint")
            if isinstance(fingerprint, str) and checked == _digest(fingerprint):
                yield from self._rows(bag)

    @staticmethod
    def _checked_file(drive_id: str, night: date) -> str:
        return f"checked/{drive_id}/{night.isoformat()}.json"

    # What was found damaged

    def damaged(self, drive_id: str, night: date) -> frozenset[str]:
        """Return the paths in a night's bag on a drive that were found damaged and not carried since."""
        paths = self._read(self._damaged_file(drive_id, night)).get("paths")
        return frozenset(map(str, paths)) if isinstance(paths, list) else frozenset()

    def keep_damaged(self, drive_id: str, night: date, paths: Collection[str]) -> None:
        """Remember what was found damaged in a night's bag on a drive, beside what is known already."""
        known = self.damaged(drive_id, night)
        if not known.issuperset(paths):
            self._write(self._damaged_file(drive_id, night), {"paths": sorted(known.union(paths))})

    def forget_damaged(self, drive_id: str, night: date, paths: Collection[str] | None = None) -> None:
        """Forget that files, or any of the bag, were found damaged: they hold now."""
        known = self.damaged(drive_id, night)
        left = frozenset() if paths is None else known.difference(paths)
        if left != known:
            self._write(self._damaged_file(drive_id, night), {"paths": sorted(left)})

    @staticmethod
    def _damaged_file(drive_id: str, night: date) -> str:
        return f"damaged/{drive_id}/{night.isoformat()}.json"

    # Receipts

    def keep_receipt(self, text: str, now: datetime) -> Path | None:
        """Keep a receipt on this computer, too; return where, or None where it could not be kept."""
        name = f"receipts/{now.astimezone(UTC):{_RECEIPT}}"
        kept = self._put(name, text.encode("utf-8"))
        self._prune_receipts(now)
        self.remove_dead_parts()
        return self.folder / name if kept else None

    def _prune_receipts(self, now: datetime) -> None:
        """Remove receipts of more than two years ago. The newest stay, whatever a clock gone wrong says."""
        first = f"{now.astimezone(UTC) - _RECEIPTS_LAST:{_RECEIPT}}"
        for name in self._names("receipts")[:-_RECEIPTS_STAY]:
            if name < first and _IS_RECEIPT.fullmatch(name):
                with contextlib.suppress(OSError):
                    (self.folder / "receipts" / name).unlink(missing_ok=True)

    # What dead runs left

    def remove_dead_parts(self) -> None:
        """Remove the parts that killed runs have left: nothing was written to them for a day."""
        with contextlib.suppress(OSError):
            for part in self.folder.rglob("*.part"):
                with contextlib.suppress(OSError):
                    if _IS_PART.search(part.name) and time.time() - part.lstat().st_mtime > _PART_IS_DEAD_S:
                        part.unlink(missing_ok=True)

    # Files

    def _read(self, name: str) -> dict[str, Any]:
        try:
            document = json.loads((self.folder / name).read_bytes())
        except (OSError, ValueError):
            return {}
        if not isinstance(document, dict) or document.get("format") != _FORMAT:
            return {}
        return document

    def _write(self, name: str, document: Mapping[str, Any]) -> None:
        content = json.dumps({"format": _FORMAT, **document}, separators=(",", ":"))
        self._put(name, content.encode("ascii"))

    def _put(self, name: str, content: bytes) -> bool:
        path = self.folder / name
        part = _part_of(path)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            part.write_bytes(content)
            part.replace(path)
        except OSError:
            return False
        return True


class BagMemory:
    """What a bag lists, written entry by entry: a night of 100,000 files is never held. Never raises."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._part = _part_of(path)
        self._file: TextIO | None = None
        self._between = ""
        with contextlib.suppress(OSError):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = self._part.open("w", encoding="ascii")
            self._file.write(f'{{"format":{_FORMAT},"files":[')

    def add(self, entry: Entry, own: bool) -> None:
        """Add one entry, and whether this computer has read its content from a source."""
        if self._file is not None:
            row = [entry.source, entry.original, *known_of(entry, own)]
            with contextlib.suppress(OSError):
                self._file.write(self._between + json.dumps(row, separators=(",", ":")))
            self._between = ","

    def keep(self, fingerprint: str) -> None:
        """Put it in place: this is what the bag with this fingerprint lists.

        A file cut short by a full disk is no JSON, and is then not used.
        """
        if self._file is not None:
            with contextlib.suppress(OSError):
                self._file.write(f'],"fingerprint":{json.dumps(fingerprint)}}}')
                self._file.close()
                self._part.replace(self._path)
        self.drop()

    def drop(self) -> None:
        """Forget what was not kept."""
        if self._file is not None:
            with contextlib.suppress(OSError):
                self._file.close()
            with contextlib.suppress(
                OSError
            ):  # Windows keeps what a scanner looks into; a disk may have failed
                self._part.unlink(missing_ok=True)
            self._file = None


def _digest(fingerprint: str) -> str:
    return hashlib.sha256(fingerprint.encode("utf-8", "surrogatepass")).hexdigest()


def _part_of(path: Path) -> Path:
    return path.with_name(f"{path.name}.{os.getpid()}.part")
