"""What a person named, or the drives that are connected, as bags and folders that have to be filed."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

from manifests.bags.acknowledgement import AcknowledgementError, read_acknowledgement
from manifests.bags.bag_finding import BeingLetGo, RemainsOfABag, find_bags, has_lists
from manifests.bags.bag_reading import NotABag, looks_like_a_bag
from manifests.bags.companions import is_companion_folder
from manifests.bags.list_sizes import ListTooLarge
from manifests.bags.paths import JOURNAL, MANIFEST, OWN, acknowledgement_of, night_being_let_go
from manifests.findings import Finding, FindingKind
from transfer.archive.dating import Dating
from transfer.config import Config
from transfer.engine.bag.lines import read_lines
from transfer.engine.bag.tag_files import sha256_of_file
from transfer.engine.drive import FoundDrive, OpenDrive, find_drives, marked_at
from transfer.engine.medium import Medium
from transfer.errors import ConfigurationError, NotThere
from transfer.events import Listener, nobody
from transfer.jobs.file.bag_items import bag_delivery
from transfer.jobs.file.items import Delivery
from transfer.jobs.file.loose_items import loose_delivery
from transfer.words import counted, in_quotes


class PassedOver(NamedTuple):
    """A connected drive that no [[drive]] names, and how many of its nights are not acknowledged."""

    name: str
    root: Path
    nights: int

    @property
    def command(self) -> str:
        """The command that files it."""
        return f"nightferry file {in_quotes(str(self.root))}"

    @property
    def finding(self) -> Finding:
        """The drive as a finding."""
        detail = (
            f"{self.name!r} is connected, no [[drive]] names it, and {counted(self.nights, 'night')} on it "
            f"may not be in the archive: {self.command}"
        )
        return Finding(FindingKind.NOT_FILED, detail, str(self.root))


@dataclass(slots=True)
class Search:
    """Looks for what there is to file. `held` closes the drives that it opens.

    `findings` are of folders that could not be looked into, and bags that could not be read;
    `being_let_go` of nights on drives that a run of `clear` has begun to remove.
    """

    config: Config
    archives: Sequence[Path]
    medium: Medium
    dating: Dating
    held: ExitStack
    findings: list[Finding] = field(default_factory=list)
    being_let_go: list[Finding] = field(default_factory=list)
    listen: Listener = nobody
    _taken: set[str] = field(default_factory=set)

    def deliveries(self, path: Path | None) -> Iterator[Delivery]:
        """Return what lies at `path`, or on the drives that are connected, bag after bag.

        A path inside a bag stands for that bag: nothing less can be proven. Raises NotThere and
        ConfigurationError, before the first is given.
        """
        if path is None:
            return self._on_drives([self._opened(found) for found in self._connected()])
        self._check_place(path)
        drive = marked_at(path)
        if drive is not None:
            return self._on_drives([self._opened(drive)])
        return self._in_folder(path.absolute())

    def _connected(self) -> list[FoundDrive]:
        """Find the drives that the configuration names; where it names none, every prepared one."""
        found, absent = find_drives(self.config.drives, self.medium, self.listen)
        if not found:
            names = ", ".join(f"{drive.name!r}" for drive in absent) or "any name"
            others = ", ".join(f"{drive.mark.name!r} at {drive.root}" for drive in self._others())
            there = f" (there is {others})" if others else ""
            step = "Plug it in and mount it, or name another drive or a folder: nightferry file PATH"
            raise NotThere(f"No prepared drive of {names} is mounted on this computer{there}", "", step)
        self._taken = {drive.mark.id for drive in found}
        return found

    def _others(self) -> list[FoundDrive]:
        """Find the connected drives that the configuration does not name, where it names any."""
        mounted = find_drives((), self.medium)[0] if self.config.drives else []
        return [drive for drive in mounted if drive.mark.id not in self._taken]

    def passed_over(self, archives: Collection[str]) -> list[PassedOver]:
        """Return the connected drives that were not looked at though some of their nights may not be filed.

        A night counts as filed where each of the `archives`, by their ids, has acknowledged its manifest as
        it is now. Empty where a person named what to file.
        """
        found: list[PassedOver] = []
        for other in self._others() if self._taken else ():
            try:
                drive = self._opened(other)
                names = [name for name, is_folder in drive.folder.names("") if is_folder]
                nights = sum(
                    self._is_bag(drive, name) and not _is_acknowledged(drive, name, archives)
                    for name in names
                    if night_being_let_go(name) is None and not is_companion_folder(name)
                )
            except (OSError, NotThere) as error:
                self._could_not_look(other.root, error)
                continue
            if nights:
                found.append(PassedOver(drive.name, drive.root, nights))
        return found

    def _check_place(self, path: Path) -> None:
        if not os.path.isdir(path):  # noqa: PTH112 - a Path's raises where a driver in user space has died
            raise NotThere(
                "There is no such folder", path, "Name a drive, a folder of frames, or a night's bag."
            )
        named = path.resolve()
        for archive in (folder.resolve() for folder in self.archives):
            if named == archive or named.is_relative_to(archive):
                step = (
                    f"Name what has to be filed into it, or correct [archive] folder in {self.config.file}."
                )
                raise ConfigurationError(f"This lies in the archive itself ({archive})", path, step)

    def _on_drives(self, drives: list[OpenDrive]) -> Iterator[Delivery]:
        for drive in drives:
            folders = sorted(name for name, is_folder in drive.folder.names("") if is_folder)
            for name in folders:
                if night_being_let_go(name) is not None:
                    self._could_not_look(drive.root / name, BeingLetGo())
                elif not is_companion_folder(name) and self._is_bag(drive, name):
                    yield from self._bag(drive, name)

    def _is_bag(self, drive: OpenDrive, name: str) -> bool:
        """Return whether a drive's folder is a bag; one that was, or can't be looked into, is a finding."""
        try:
            names = {each for each, _ in drive.folder.names(name)}
            if looks_like_a_bag(names) or OWN not in names:
                return looks_like_a_bag(names)
            own = {each for each, _ in drive.folder.names(f"{name}/{OWN}")}
        except OSError as error:
            self._could_not_look(drive.root / name, error)
            return False
        if JOURNAL.rpartition("/")[2] in own:
            return True
        if has_lists(own):
            self._could_not_look(drive.root / name, RemainsOfABag())
        return False

    def _opened(self, found: FoundDrive) -> OpenDrive:
        drive = OpenDrive(found, self.medium)
        self.held.callback(drive.close)
        return drive

    def _bag(self, drive: OpenDrive, bag_path: str) -> Iterator[Delivery]:
        try:
            delivery = bag_delivery(drive.folder, bag_path, self.dating, f"{bag_path} on {drive.name}")
        except (OSError, NotABag) as error:
            self._could_not_look(drive.root / bag_path, error)
            return
        yield replace(delivery, drive_name=drive.name, drive_id=drive.mark.id)

    def _in_folder(self, folder: Path) -> Iterator[Delivery]:
        archives = [archive.resolve() for archive in self.archives]
        remains: list[Path] = []

        def could_not_look(path: Path, error: OSError) -> None:
            if isinstance(error, RemainsOfABag | BeingLetGo):
                remains.append(path)
            self._could_not_look(path, error)

        found = find_bags(folder, could_not_look)
        bags = [bag for bag in found if not any(map(bag.resolve().is_relative_to, archives))]
        for bag in bags:
            yield from self._bag_somewhere(bag)
        inside_a_bag = any(folder.resolve().is_relative_to(bag.resolve()) for bag in bags)
        if not inside_a_bag:
            alone = not (bags or self.findings or self.being_let_go)
            yield loose_delivery(folder, [*bags, *remains, *archives], self.dating, may_be_empty=not alone)

    def _bag_somewhere(self, bag: Path) -> Iterator[Delivery]:
        """Return one bag: of a drive, where it lies at a prepared drive's root, or of no drive."""
        try:
            drive = marked_at(bag.parent)
        except NotThere as error:
            self._could_not_look(bag, error)
            return
        if drive is not None:
            yield from self._bag(self._opened(drive), bag.name)
            return
        try:
            pinned = self.medium.pin(bag.parent)
            self.held.callback(pinned.close)
            delivery = bag_delivery(pinned, bag.name, self.dating, str(bag))
        except (OSError, NotABag) as error:
            self._could_not_look(bag, error)
            return
        yield replace(delivery, acknowledgeable=None)

    def _could_not_look(self, folder: Path, error: Exception) -> None:
        detail = getattr(error, "strerror", None) or str(error)
        if isinstance(error, BeingLetGo):
            self.being_let_go.append(Finding(FindingKind.BEING_LET_GO, detail, str(folder)))
        else:
            self.findings.append(Finding(FindingKind.UNREADABLE, detail, str(folder)))


def _is_acknowledged(drive: OpenDrive, bag: str, archives: Collection[str]) -> bool:
    """Return whether each archive has acknowledged a bag's present manifest. Raises OSError."""
    try:
        manifest_sha256 = sha256_of_file(drive.folder, f"{bag}/{MANIFEST}")
        said = [
            read_acknowledgement(b"".join(read_lines(drive.folder, f"{bag}/{acknowledgement_of(archive)}")))
            for archive in archives
        ]
    except (AcknowledgementError, ListTooLarge):
        return False
    return all(each.manifest_sha256 == manifest_sha256 for each in said)
