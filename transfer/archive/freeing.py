"""Nights on drives that may go, since an archive and enough other places have them; and their removal.

A night goes whole. Its folder first gets, in one step, the name of one that is being let go, and only then
loses its files: cut off at any instant, a night is whole, or every command knows what it sees. The next run
decides anew on what is left of one: it goes by the same evidence, or stays.
"""

from __future__ import annotations

import stat
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import NamedTuple

from manifests.bags.companions import is_companion
from manifests.bags.entries import Entry, EntryError
from manifests.bags.list_sizes import ListTooLarge
from manifests.bags.paths import (
    BAG_INFO,
    BAGIT_TXT,
    ENTRIES,
    INCOMING,
    MANIFEST,
    PAYLOAD,
    PAYLOAD_XXH128,
    SET_ASIDE,
    TAG_MANIFEST,
    being_let_go,
    is_acknowledgement,
    night_being_let_go,
)
from transfer.archive.evidence import Evidence, nights_on
from transfer.config import ClearOptions
from transfer.engine.bag.lines import parent
from transfer.engine.bag.listed import ListedBag
from transfer.engine.drive import OpenDrive, drive_failure
from transfer.engine.ledger import Ledger, LetGo, Place
from transfer.engine.medium import PinnedFolder, drive_has_left
from transfer.engine.reread import Copy, Kept, Reading, Stays, ToldToStop, close_read
from transfer.engine.surroundings import Surroundings
from transfer.events import Phase, PhaseBegan, PhaseEnded

_TAGS = frozenset((BAGIT_TXT, BAG_INFO, MANIFEST, TAG_MANIFEST, PAYLOAD_XXH128, ENTRIES))
_LISTS_CHANGED = "its lists are not what was written; nightferry check says more"


class OnDrive(NamedTuple):
    """A file of a night's bag on a drive: its path below the bag, its content, and the places that have it.

    `copies` are those of the places that are here.
    """

    path: str
    size_bytes: int
    sha256: str
    places: tuple[Place, ...]
    copies: tuple[Copy, ...]


@dataclass(frozen=True, slots=True)
class DriveNight:
    """A night on a drive, in `folder` there; it goes whole, or stays for what `stays` says.

    `files` are those of its payload; `others` (its tag files, and what systems dropped beside them) and
    `folders`, the deepest first, go with it.
    """

    drive: OpenDrive
    night: date
    folder: str
    files: tuple[OnDrive, ...] = ()
    others: tuple[str, ...] = ()
    folders: tuple[str, ...] = ()
    stays: tuple[Stays, ...] = ()
    file_count: int = 0
    size_bytes: int = 0

    @property
    def may_go(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.stays

    @property
    def is_left(self) -> bool:
        """Whether this is what a run that was cut off has left of a night."""
        return self.folder == being_let_go(self.night)

    @property
    def shown(self) -> str:
        """The drive and the folder there."""
        return f"{self.drive.name}/{self.folder}"

    @property
    def label(self) -> str:
        """What a progress line calls it."""
        return f"{self.night.isoformat()} on {self.drive.name}"


# The decision


@dataclass(frozen=True, slots=True)
class Freeable:
    """Decides which nights may go from drives. Methods raise OSError where a drive cannot be read.

    `archives` are the ids of those that are here, and `folders` the sources: what one of these still has
    counts as one of the places that are asked for.
    """

    evidence: Evidence
    options: ClearOptions
    now: datetime
    archives: frozenset[str]
    folders: Mapping[str, PinnedFolder]

    def nights(self, drives: Iterable[OpenDrive]) -> tuple[DriveNight, ...]:
        """Decide on every night of some drives; the oldest comes first, and what is left of one before it.

        Where a night may go its drive counts no more: two drives that hold the same night do not let it go
        for each other's sake.
        """
        found = [night for drive in drives for night in self._on(drive)]
        return tuple(sorted(found, key=lambda each: (each.night, each.drive.name, not each.is_left)))

    def _on(self, drive: OpenDrive) -> list[DriveNight]:
        there = nights_on(drive)
        kept = set(there[max(len(there) - self.options.keep_nights, 0) :])
        folders = [name for name, is_folder in drive.folder.names("") if is_folder]
        begun = [night for name in folders if (night := night_being_let_go(name)) is not None]
        left = [self._decided(drive, night, being_let_go(night)) for night in begun]
        stuck = {each.night for each in left if not each.may_go}
        return [*left, *(self._whole(drive, night, night in kept, night in stuck) for night in there)]

    def _whole(self, drive: OpenDrive, night: date, is_kept: bool, is_stuck: bool) -> DriveNight:
        if is_kept:
            newest = self.options.keep_nights
            why = f"one of the newest {newest} nights" if newest > 1 else "the newest night on the drive"
            return _staying(drive, night, night.isoformat(), why)
        if is_stuck:
            why = "what is left of this night, let go before, is to go first"
            return _staying(drive, night, night.isoformat(), why)
        return self._decided(drive, night, night.isoformat())

    def _decided(self, drive: OpenDrive, night: date, folder: str) -> DriveNight:
        tree = _Tree.of(drive.folder, folder)
        listed = ListedBag(drive.folder, folder)
        try:
            files, stays = self._files(drive, listed, tree)
        except (EntryError, ListTooLarge):
            return _staying(drive, night, folder, _LISTS_CHANGED)
        strange = sorted(tree.sizes.keys() - {file.path for file in files} - {each.path for each in stays})
        others = [path for path in strange if _goes_along(drive, folder, path)]
        unlisted = [*tree.odd, *(path for path in strange if path not in others)]
        at = f"{drive.name}/{folder}"
        told = [Stays(f"{at}/{each.path}", each.why) for each in stays]
        told += [Stays(f"{at}/{path}", "no list of the night names it") for path in sorted(unlisted)]
        if ENTRIES not in tree.sizes and folder != being_let_go(night):
            told.append(Stays(at, "it is no night that nightferry has sent"))
        if listed.unfinished:
            told.append(Stays(at, "it is not finished: send to the drive again"))
        if files and listed.fingerprint() is None:
            told.append(Stays(at, _LISTS_CHANGED))
        if not told:
            place = Place("drive", drive.mark.id, drive.name)
            self.evidence.leave_out(place, (file.sha256 for file in files))
        return DriveNight(
            drive=drive,
            night=night,
            folder=folder,
            files=tuple(files),
            others=tuple(others),
            folders=tuple(tree.folders),
            stays=tuple(told),
            file_count=len(tree.payload),
            size_bytes=sum(tree.payload),
        )

    def _files(self, drive: OpenDrive, listed: ListedBag, tree: _Tree) -> tuple[list[OnDrive], list[Stays]]:
        """Decide on the listed files that are there. Raises EntryError, ListTooLarge and OSError."""
        files: list[OnDrive] = []
        stays: list[Stays] = []
        for entry in listed.entries():
            if entry.path not in tree.sizes:
                continue  # it went before, or was taken away by hand
            if tree.sizes[entry.path] != entry.size_bytes:
                stays.append(Stays(entry.path, "it is not as it was listed; nightferry check says more"))
                continue
            decided = self._decide(drive, entry)
            if isinstance(decided, Stays):
                stays.append(decided)
            else:
                files.append(decided)
        return files, stays

    def _decide(self, drive: OpenDrive, entry: Entry) -> OnDrive | Stays:
        sha256, since = entry.digests.sha256, self.now - timedelta(seconds=self.options.proven_within_s)
        places = [each for each in self.evidence.places(sha256, since) if each.id != drive.mark.id]
        archives = {place.id for place in places if place.kind == "archive"}
        source = self._in_source(entry) if len(places) < self.options.copies else None
        if not archives:
            counted_too = [] if source is None else [source.place]
            told = self.evidence.too_few(sha256, [*places, *counted_too], self.options.copies, since)
            return Stays(entry.path, f"no archive is known to have it ({told})")
        if self.archives and not self.archives & archives:
            return Stays(entry.path, "the archive that is here does not have it as it was filed")
        copies = [copy for copy in self.evidence.copies.get(sha256, ()) if copy.place in places]
        if source is not None:
            places.append(source.place)
            copies.append(source)
        if len(places) < self.options.copies:
            told = self.evidence.too_few(sha256, places, self.options.copies, since)
            return Stays(entry.path, f"without this drive {told}")
        return OnDrive(entry.path, entry.size_bytes, sha256, tuple(sorted(places)), tuple(copies))

    def _in_source(self, entry: Entry) -> Copy | None:
        """Return the file that was carried, where its source still has one of its size."""
        folder = self.folders.get(entry.source)
        try:
            facts = None if folder is None else folder.stat(entry.original)
        except OSError:
            return None  # on another volume, say: it counts for nothing
        if folder is None or facts is None or not stat.S_ISREG(facts.st_mode):
            return None
        if facts.st_size != entry.size_bytes:
            return None
        return Copy(Place("source", entry.source, entry.source), folder, entry.original)


@dataclass(frozen=True, slots=True)
class _Tree:
    """All that lies in a bag's folder: regular files with their sizes, folders, and what is neither.

    Paths are below the bag.
    """

    sizes: dict[str, int]
    folders: list[str]
    odd: list[str]

    @classmethod
    def of(cls, pinned: PinnedFolder, bag: str) -> _Tree:
        """List a folder at any depth. Raises OSError."""
        sizes: dict[str, int] = {}
        folders, odd, pending = [], [], [""]
        while pending:
            below = pending.pop()
            at = f"{bag}/{below}" if below else bag
            of_files = pinned.sizes(at)
            for name, is_folder in pinned.names(at):
                path = f"{below}/{name}" if below else name
                if is_folder:
                    folders.append(path)
                    pending.append(path)
                elif name in of_files:
                    sizes[path] = of_files[name]
                else:
                    odd.append(path)
        return cls(sizes, sorted(folders, key=lambda path: (-path.count("/"), path)), odd)

    @property
    def payload(self) -> list[int]:
        """The sizes of all payload files."""
        return [size for path, size in self.sizes.items() if path.startswith(f"{PAYLOAD}/")]


def _staying(drive: OpenDrive, night: date, folder: str, why: str) -> DriveNight:
    payload = _Tree.of(drive.folder, folder).payload
    return DriveNight(
        drive=drive,
        night=night,
        folder=folder,
        stays=(Stays(f"{drive.name}/{folder}", why),),
        file_count=len(payload),
        size_bytes=sum(payload),
    )


def _goes_along(drive: OpenDrive, folder: str, path: str) -> bool:
    """Return whether a file that no list names goes with its night: a tag file, or another system's."""
    if path in _TAGS or is_acknowledgement(path):
        return True
    kept = path.startswith((f"{INCOMING}/", f"{SET_ASIDE}/"))
    return not kept and is_companion(drive.root / folder / path)


# The removal

_Facts = tuple[int, int]


@dataclass(slots=True)
class Freeing:
    """Removes nights from drives that are held by this run. What it did is in `gone` and `stays`.

    `begun` are those that have lost something, or are about to.
    """

    ledger: Ledger
    around: Surroundings
    begun: list[DriveNight] = field(default_factory=list)
    gone: list[DriveNight] = field(default_factory=list)
    stays: list[Stays] = field(default_factory=list)

    def free(self, nights: Iterable[DriveNight]) -> None:
        """Remove nights, until the run has to end. Raises NightferryError where ledger or drive fails."""
        for night in nights:
            if self.around.stop.why:
                return
            try:
                self._free(night)
            except ToldToStop:
                return
            except Kept as error:
                self.stays.append(Stays(night.shown, str(error)))
            else:
                self.gone.append(night)

    def _free(self, night: DriveNight) -> None:
        """Read all that it is let go for, note it in the ledger, and remove it."""
        to_read_bytes = sum(file.size_bytes * (1 + len(file.copies)) for file in night.files)
        self.around.listen(PhaseBegan(Phase.CLEARING, night.label, to_read_bytes))
        facts = {file.path: self._read(night, file) for file in night.files}
        self.around.listen(PhaseEnded(Phase.CLEARING, night.label))
        if night.files:
            self.ledger.write([_in_ledger(night, file) for file in night.files], self.around.clock())
        try:
            self._remove(night, facts)
        except OSError as error:
            if drive_has_left(error):
                raise drive_failure(error, night.drive) from error
            told = error.strerror or str(error)
            raise Kept(f"it could not be removed ({told}); the next run goes on with what is left") from error

    # Before

    def _read(self, night: DriveNight, file: OnDrive) -> _Facts:
        """Hash the file, and the copies of it that are here; return its facts. Raises Kept and ToldToStop."""
        reading = Reading(self.around.stop, self.around.listen, night.label)
        path = f"{night.folder}/{file.path}"
        try:
            facts = _facts(night.drive.folder, path)
            descriptor = night.drive.folder.open_file(path)
            try:
                sha256 = reading.sha256(descriptor)
            finally:
                close_read(descriptor)
        except OSError as error:
            if drive_has_left(error):
                raise drive_failure(error, night.drive) from error
            raise Kept(f"{file.path} cannot be read ({error.strerror or error})") from error
        if sha256 != file.sha256:
            raise Kept(f"{file.path} is not what was listed; nightferry check says more")
        reading.require(file.copies, file.sha256)
        return facts

    # The act

    def _remove(self, night: DriveNight, facts: Mapping[str, _Facts]) -> None:
        """Remove a night: its name first, then its payload, then the rest. Raises Kept and OSError."""
        folder, at = night.drive.folder, being_let_go(night.night)
        changed = [path for path, known in facts.items() if _facts(folder, f"{night.folder}/{path}") != known]
        if changed:
            raise Kept(f"{changed[0]} has changed since it was hashed")
        self.begun.append(night)
        if night.folder != at:
            folder.replace(night.folder, at)
            folder.flush_folders([""])
        payload = [file.path for file in night.files]
        _remove_files(folder, at, payload)
        _remove_files(folder, at, night.others)
        for below in night.folders:
            folder.remove_folder(f"{at}/{below}")
        folder.remove_folder(at)
        folder.flush_folders([""])


def _facts(folder: PinnedFolder, path: str) -> _Facts:
    facts = folder.stat(path)
    return (-1, 0) if facts is None else (facts.st_size, facts.st_mtime_ns)


def _remove_files(folder: PinnedFolder, at: str, paths: Iterable[str]) -> None:
    """Remove files; that they have gone is on the medium before anything after them goes."""
    for each in _by_folder(paths):
        for path in each:
            folder.remove(f"{at}/{path}")
        folder.flush_folders([parent(f"{at}/{each[0]}")])


def _by_folder(paths: Iterable[str]) -> Iterator[list[str]]:
    by_folder: dict[str, list[str]] = {}
    for path in paths:
        by_folder.setdefault(parent(path), []).append(path)
    yield from by_folder.values()


def _in_ledger(night: DriveNight, file: OnDrive) -> LetGo:
    drive = Place("drive", night.drive.mark.id, night.drive.name)
    path = f"{night.night.isoformat()}/{file.path}"
    return LetGo(drive, path, file.size_bytes, file.sha256, file.places)
