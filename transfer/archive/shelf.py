"""The bags of the archive that a run has open: files come in, are proven, and get into the manifests."""

from __future__ import annotations

import errno
import itertools
import os
import threading
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime

from manifests.bags.entries import Entry
from manifests.bags.paths import JOURNAL, OWN, PAYLOAD
from transfer.archive.as_proven import AsProven, Damage, Look
from transfer.archive.bags import ArchiveBag, Folders, bag_info, files_below, held_of, label_in
from transfer.archive.held import OpenArchive
from transfer.archive.layout import Owner, bag_of
from transfer.engine.bag.durable import remove_if_there
from transfer.engine.bag.lines import parent
from transfer.engine.bag.open import Arrival, OpenBag
from transfer.engine.bag.readback import Compared, read_back
from transfer.engine.bag.tag_files import put_tag_files
from transfer.engine.copy.troubles import Words
from transfer.engine.medium import PinnedFolder
from transfer.errors import DriveFailed

_INCOMING = "nightferry-incoming"
# A bag's lists, and what they grow by: more than this, and a full disk waits for room to be made.
_LINE_BYTES, _RESERVE_BYTES, _RESERVE_AT_MOST_BYTES = 1 << 10, 64 << 10, 8 << 20

_BAD_NAMES = frozenset((errno.ENAMETOOLONG, errno.EINVAL, errno.EILSEQ))

OF_AN_ARCHIVE = Words(
    full=("The archive's disk is full", "Make room on it, then file again."),
    left=("The archive left", "Mount it, then file again: what was proven is kept, the rest is filed."),
    failing=("Writing to the archive keeps failing", "Look at its disk before you trust it further."),
    hanging=("The archive does not answer", "Look at its disk and its connection, then file again."),
    busy=("The archive's disk had not taken yet all that was written to it", "File again."),
)


def _now() -> datetime:
    return datetime.now(UTC)


class Shelf:
    """The archive's bags, each opened when the first file comes for it.

    Its methods raise OSError and NightferryError, and may be called from any thread; `holding` keeps
    several acts together.
    """

    def __init__(self, archive: OpenArchive, clock: Callable[[], datetime] = _now) -> None:
        self.folder: PinnedFolder = archive.folder
        self.methods: set[str] = set()
        self.all_from_medium = True
        self._archive = archive
        self._folders = Folders(archive.folder)
        self._listed: dict[str, ArchiveBag] = {}
        self._owners: dict[str, Owner] = {}
        self._open: dict[str, OpenBag] = {}
        self._as_proven = AsProven(archive.folder, self.listed, clock)
        self._amended: dict[str, dict[str, Entry]] = {}
        self._new: dict[str, tuple[str, str]] = {}
        self._brought: dict[str, bool] = {}
        self._numbers = itertools.count(1)
        self._lock = threading.RLock()

    @contextmanager
    def holding(self) -> Iterator[None]:
        """Keep every other thread from the bags."""
        with self._lock:
            yield

    # Parts

    def begin(self) -> None:
        """Make ready to take files."""
        self.folder.flush_folders(sorted(self.folder.make_folders(_INCOMING)))

    def remove_parts(self) -> None:
        """Remove what an earlier run has left half written."""
        for name, is_folder in self.folder.names(_INCOMING):
            if not is_folder:
                self.folder.remove(f"{_INCOMING}/{name}")

    def new_part(self) -> str:
        """Return a path for a file that has no name yet."""
        return f"{_INCOMING}/{next(self._numbers)}.part"

    def refuses_name(self, path: str) -> str:
        """Ask the disk about the names in a path; return why it can't have one of them, or nothing."""
        for name in path.split("/"):
            try:
                self.folder.stat(name)
            except OSError as error:
                if error.errno not in _BAD_NAMES:
                    raise
                return f"the archive's disk refuses the name {name[:40]!r} ({error.strerror})"
        return ""

    # Bags

    def bag_of(self, owner: Owner) -> str:
        """Return the folder of an owner's bag."""
        with self._lock:
            bag = self._folders.of(owner)
            self._owners[bag] = owner
            return bag

    def listed(self, bag: str) -> ArchiveBag:
        """Return what a bag lists. Raises DriveFailed where its list is not what was written."""
        with self._lock:
            if bag not in self._listed:
                listed = ArchiveBag(self.folder, bag)
                listed.load(lambda _: None)
                if listed.damage:
                    step = "Prove it with: nightferry check. Nothing is filed into it before it is mended."
                    raise DriveFailed(
                        f"The list of this bag is damaged ({listed.damage})", self._whole(bag), step
                    )
                self._listed[bag] = listed
            return self._listed[bag]

    def _whole(self, bag: str) -> str:
        return str(self._archive.root / bag)

    def _opened(self, bag: str) -> OpenBag:
        if bag not in self._open:
            listed = self.listed(bag)
            opened = OpenBag(listed, bag_info(self._owner_of(bag)))
            size_bytes = len(listed.held) * _LINE_BYTES + _RESERVE_BYTES
            opened.begin(min(size_bytes, _RESERVE_AT_MOST_BYTES))
            self._open[bag] = opened
        return self._open[bag]

    def _owner_of(self, bag: str) -> Owner:
        return self._owners.get(bag) or Owner(bag, label_in(self.folder, bag) or bag)

    def take(self, bag: str, arrivals: Iterable[Arrival]) -> dict[str, str]:
        """Give whole, flushed files their names in a bag; return, by path, why the disk refuses a name."""
        refused: dict[str, str] = {}

        def on_refused(arrival: Arrival, error: OSError) -> None:
            remove_if_there(self.folder, arrival.part)
            refused[arrival.entry.path] = f"the archive's disk refuses its name ({error.strerror})"

        with self._lock:
            coming = list(arrivals)
            self._brought |= {f"{bag}/{arrival.entry.path}": False for arrival in coming}
            self._opened(bag).take(coming, on_refused)
            held = self.listed(bag).held
            for entry in (arrival.entry for arrival in coming if arrival.entry.path not in refused):
                held[entry.path] = held_of(entry)
                self._as_proven.replaced(bag, entry.path)
                self._new.setdefault(entry.digests.sha256, (bag, entry.path))
        return refused

    # What the bags hold, and when it was read last

    def look(self, bag: str, path: str, sha256: str) -> Look:
        """Look whether a bag lists a content under a path, and still has it as it was proven.

        A file whose size and time are not those of its last proof is read. Raises NightferryError where the
        bag's list is damaged.
        """
        with self._lock:
            held = self.listed(bag).held.get(path)
            if held is None or held.sha256 != sha256:
                return Look.NOT_LISTED
            if f"{bag}/{path}" in self._brought:
                return Look.AS_PROVEN  # it counts once it is listed: see `waits`
            return self._as_proven.look(bag, path, held)

    def is_damaged(self, bag: str, path: str) -> bool:
        """Return whether a file was found damaged, and was not replaced since."""
        with self._lock:
            return self._as_proven.is_damaged(f"{bag}/{path}")

    def amended(self, bag: str, path: str) -> Entry | None:
        """Return the entry of a listed file where a person's word stands in it. Raises OSError."""
        with self._lock:
            if bag not in self._amended:
                entries = (entry for entry in self.listed(bag).entries() if entry.is_amended)
                self._amended[bag] = {entry.path: entry for entry in entries}
            return self._amended[bag].get(path)

    def damage(self) -> list[Damage]:
        """Return what was found damaged in the archive."""
        with self._lock:
            filed_anew = {place for place, is_listed in self._brought.items() if is_listed}
            return self._as_proven.damage(self._archive.root, filed_anew)

    def read_back_utc(self, bag: str, path: str) -> datetime | None:
        """Return when a file was last read back and was equal to what its bag lists."""
        with self._lock:
            proof = self._as_proven.proofs(bag).of(path)
            return None if proof is None else proof.read_utc

    def keep_proofs(self) -> None:
        """Write down what was read again in bags that this run does not write to otherwise."""
        with self._lock:
            for bag, proofs in self._as_proven.of_every_bag():
                contents = proofs.contents
                if contents and bag not in self._open:
                    proofs.keep_apart_what_is_lost()
                    put_tag_files(self.listed(bag), contents)
                    proofs.note_written(contents)

    def set_aside_what_is_left(self, bag: str, path: str) -> None:
        """Keep what is left of a damaged file apart, so that the whole one can take its place."""
        with self._lock:
            opened = self._opened(bag)
            if self.folder.stat(f"{bag}/{path}") is not None:
                self.folder.flush_folders(sorted(opened.set_aside(path)))

    def new(self, sha256: str) -> tuple[str, str] | None:
        """Return bag and path of a content that this run has brought."""
        with self._lock:
            return self._new.get(sha256)

    # Proving

    def prove(self, on_bytes: Callable[[int], None], go_on: Callable[[], bool]) -> bool:
        """Read back what is not proven yet; return whether all of it is what was written.

        One bad copy has everything that this run wrote, and that is still open, read back again.
        """
        with self._lock:
            waiting = {copy.path: (bag, copy) for bag in self._open.values() for copy in bag.proofs.waiting()}
            facts = {path: self.folder.stat(path) for path in waiting}
            read_utc = self._as_proven.now()
        equal = True
        copies = [copy for _, copy in waiting.values()]
        for compared in read_back(self.folder, copies, on_bytes, go_on):
            with self._lock:
                bag = waiting[compared.copy.path][0]
                equal = self._record(bag, compared, facts[compared.copy.path], read_utc) and equal
        return equal

    def _record(
        self, bag: OpenBag, compared: Compared, facts: os.stat_result | None, read_utc: datetime
    ) -> bool:
        equal = bag.proofs.record(compared)
        if equal and facts is not None:
            path = bag.proofs.in_bag(compared.copy)
            self._as_proven.keep(bag.listed.path, path, facts, compared, read_utc)
        return equal

    def doubt(self) -> None:
        """Take back every proof of the bags that are open."""
        with self._lock:
            for bag in self._open.values():
                bag.proofs.doubt()
                for path in bag.proofs.unproven:
                    self._as_proven.proofs(bag.listed.path).drop(path)

    def bad_in(self, bag: str) -> set[str]:
        """Return the paths in a bag whose copies are not what was written."""
        with self._lock:
            return set(self._open[bag].proofs.found_bad) if bag in self._open else set()

    def unproven_in(self, bag: str) -> set[str]:
        """Return the paths in a bag that wait to be proven."""
        with self._lock:
            return set(self._open[bag].proofs.unproven) if bag in self._open else set()

    def unproven_bytes(self) -> int:
        """Return how many bytes wait to be read back."""
        with self._lock:
            return sum(bag.proofs.unproven_bytes for bag in self._open.values())

    def give_up(self, bag: str, path: str, *, source_is_there: bool) -> None:
        """Take a copy that stays bad out of the bag."""
        with self._lock:
            self._open[bag].give_up(path, source_is_there)
            self._brought.pop(f"{bag}/{path}", None)
            self._as_proven.proofs(bag).drop(path)
            held = self.listed(bag).held.pop(path, None)
            if held is not None and self._new.get(held.sha256) == (bag, path):
                del self._new[held.sha256]

    # What leaves its place, or is listed with other words

    def take_out(self, bag: str, paths: Collection[str]) -> None:
        """Take files out of a bag's lists, and then remove them where they are there still.

        The caller has made sure that each lies, proven and listed, at another place, or is not wanted.
        """
        with self._lock:
            opened, listed = self._opened(bag), self.listed(bag)
            opened.withdraw(set(paths))
            folders = {parent(f"{bag}/{path}") for path in paths}
            for path in paths:
                remove_if_there(self.folder, f"{bag}/{path}")
                self._as_proven.replaced(bag, path)
                listed.forget(path)
            self.folder.flush_folders(sorted(filter(self._is_there, folders)))
            self._remove_empty_folders(bag, folders)
            self.publish(bag)

    def _is_there(self, path: str) -> bool:
        return self.folder.stat(path) is not None

    def _remove_empty_folders(self, bag: str, folders: Iterable[str]) -> None:
        """Remove folders of a payload that are empty now, and those above them that are so then."""
        for folder in sorted(folders, key=len, reverse=True):
            left = folder
            while left != f"{bag}/{PAYLOAD}" and self._is_there(left) and not self.folder.names(left):
                with suppress(OSError):  # another program has put something there
                    self.folder.remove_folder(left)
                left = parent(left)

    def amend(self, bag: str, entries: Iterable[Entry]) -> None:
        """Have a bag list files, which stay where they are, with other facts; their content is the same."""
        with self._lock:
            lists = self._opened(bag).lists
            for entry in entries:
                lists.amend(entry)
            self.publish(bag)

    def adopt(self, bag: str, entry: Entry) -> None:
        """Take a file that stands in a bag's payload, and is on no list, for one that waits to be proven."""
        with self._lock:
            self._brought[f"{bag}/{entry.path}"] = False
            self._opened(bag).adopt(entry)
            self.listed(bag).held[entry.path] = held_of(entry)

    # Manifests

    def publish(self, bag: str) -> None:
        """Write a bag's manifest of all that is proven in it; one with nothing left to prove is finished."""
        with self._lock:
            opened = self._open.get(bag)
            if opened is None:
                return
            finished = not opened.proofs.unproven
            proofs = self._as_proven.proofs(bag)
            contents = proofs.contents
            if contents:
                proofs.keep_apart_what_is_lost()
            for path, content in contents.items():
                opened.lists.put_beside(path, content)
            opened.publish(finished, lambda: _unseen)
            if contents:
                proofs.note_written(contents)
            self._brought |= {f"{bag}/{path}": True for path in opened.proofs.proven}
            self._brought |= {f"{bag}/{path}": False for path in opened.proofs.unproven}
            self.methods |= opened.proofs.methods
            self.all_from_medium = self.all_from_medium and opened.proofs.all_from_medium
            if finished:
                opened.close()
                del self._open[bag]

    def is_listed(self, place: str) -> bool:
        """Return whether a file that this run has brought, by bag and path, is in its bag's manifest."""
        with self._lock:
            return self._brought.get(place, False)

    def bags_brought_to(self) -> set[str]:
        """Return the bags into which this run has brought something."""
        with self._lock:
            return set(map(bag_of, self._brought))

    def waits(self, place: str) -> bool:
        """Return whether a file that this run has brought is not in its bag's manifest, or not yet."""
        with self._lock:
            return not self._brought.get(place, True)

    def leave(self) -> None:
        """Close every bag as it stands: the next run proves what this one did not."""
        with self._lock:
            for bag in self._open.values():
                bag.close()
            self._open.clear()

    # What an earlier run left

    def recover(self, bag: str, owner: Owner) -> None:
        """Open a bag that an earlier run did not finish: what stands whole in it waits to be proven."""
        with self._lock:
            self._owners[bag] = owner
            self._opened(bag)

    def free(self, bag: str) -> list[str]:
        """Free a bag that says neither whose it is nor what it holds; return the files that stood in it.

        A run died before it had its first list, and its journal is empty or lost.
        """
        with self._lock:
            opened = OpenBag(ArchiveBag(self.folder, bag), {})
            there = sorted(files_below(self.folder, f"{bag}/{PAYLOAD}"))
            paths = [path.removeprefix(f"{bag}/") for path in there]
            changed = {folder for path in paths for folder in opened.set_aside(path)}
            self.folder.flush_folders(sorted(changed))
            self.folder.remove(f"{bag}/{JOURNAL}")
            self.folder.flush_folders([f"{bag}/{OWN}"])
            return paths

    def forget(self) -> None:
        """Forget what bags that are not open hold: it is read again when it is next needed."""
        with self._lock:
            self._listed = {bag: listed for bag, listed in self._listed.items() if bag in self._open}
            self._as_proven.forget(self._open)
            self._amended.clear()


def _unseen(entry: Entry) -> None:
    """Do nothing with an entry."""
