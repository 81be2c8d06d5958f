"""The configured folders to the files in them, as they are found."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import NamedTuple

from manifests.bags.companions import is_companion, is_companion_folder
from manifests.findings import Finding, FindingKind
from transfer.config import Source, SourceKind
from transfer.config.patterns import Patterns
from transfer.engine.medium import Medium, PinnedFolder
from transfer.engine.medium.looking import at_any_length, born_ns, facts_of, leads_to_a_folder
from transfer.errors import ConfigurationError, NotThere

Identity = tuple[int, int]


class SourceFile(NamedTuple):
    """A file of a source: `path` is relative to the source's folder, with `/`.

    Times are nanoseconds since 1970; `created_ns` is None where the system does not tell. What is
    not Unicode in a name stays in it as lone surrogates.
    """

    source: str
    path: str
    size_bytes: int
    modified_ns: int
    created_ns: int | None


def walk(
    source: Source,
    keep_out: Iterable[Path] = (),
    on_not_taken: Callable[[SourceFile], None] | None = None,
) -> Iterator[SourceFile | Finding]:
    """Yield the files of a source that its patterns take, in no order, and what could not be seen.

    Links are followed, except back into a folder they lie in, or into a folder of `keep_out` (the
    drive, the archive). Nothing is opened but folders. Files that other systems drop are left out, and
    so is a file that vanished meanwhile; the path of a finding is relative, like a file's. `on_not_taken` is
    called with each file that no pattern takes and none leaves out.

    Raises NotThere at once where the source's folder cannot be listed, and PatternError.
    """
    root = at_any_length(str(source.folder.absolute()))
    _check_there(source, root)
    identities = {identity for folder in keep_out if (identity := _identity(str(folder)))}
    return _Walk(source, identities, on_not_taken).run(root)


def check_places(sources: Iterable[Source], drive_root: Path, config_file: Path) -> None:
    """Make sure that no source lies on the drive and the drive in no source, whatever links say.

    Raises ConfigurationError, which names the configuration's file: the source may be wrong there.
    A folder that is not there is no matter here.
    """
    for source in sources:
        if _lies_within(source.folder, drive_root):
            happened = f'The source "{source.name}" lies on the drive it would be sent to ({drive_root})'
            raise ConfigurationError(
                happened, source.folder, f"Send to another drive, or change the source in {config_file}."
            )
        if _lies_within(drive_root, source.folder):
            happened = (
                f'The drive lies in the source "{source.name}" ({source.folder}): it would be sent to itself'
            )
            raise ConfigurationError(
                happened, drive_root, f"Choose a drive, or change the source in {config_file}."
            )


def check_apart(sources: Iterable[Source], place: Path, what: str) -> None:
    """Make sure that no source lies in a place and the place in no source. Raises ConfigurationError."""
    for source in sources:
        if _lies_within(source.folder, place) or _lies_within(place, source.folder):
            happened = f'The source "{source.name}" and {what} ({place}) lie one in the other'
            raise ConfigurationError(happened, source.folder, "Choose two folders apart from each other.")


def pinned_sources(sources: Iterable[Source], medium: Medium, held: ExitStack) -> dict[str, PinnedFolder]:
    """Hold sources' folders open, by their names; one that is not there is left out. `held` closes them."""
    folders: dict[str, PinnedFolder] = {}
    for source in sources:
        with suppress(OSError):
            folders[source.name] = medium.pin(source.folder)
            held.callback(folders[source.name].close)
    return folders


def _lies_within(inner: Path, outer: Path) -> bool:
    """Compare by identity, not by spelling: cases, links and second mounts all lead to one folder."""
    folder = inner.resolve()
    wanted = _identity(str(outer))
    return wanted is not None and any(_identity(str(place)) == wanted for place in (folder, *folder.parents))


def _check_there(source: Source, root: str) -> None:
    whose = f'The folder of the source "{source.name}"'
    step = f"Connect what it is on, or change its folder in {source.name}'s [[source]]."
    try:
        os.scandir(root).close()
    except (FileNotFoundError, NotADirectoryError) as error:
        missing = "is not there" if isinstance(error, FileNotFoundError) else "is not a folder"
        raise NotThere(f"{whose} {missing}", source.folder, step) from error
    except OSError as error:
        raise NotThere(f"{whose} cannot be listed ({error.strerror})", source.folder, step) from error


def _identity(place: str) -> Identity | None:
    try:
        facts = os.stat(place)  # noqa: PTH116 - a Path for each folder costs more than the call
    except OSError:
        return None
    return facts.st_dev, facts.st_ino


class _Folder:
    """A folder on the way: where it is, its path below the source with a `/` behind, and what it lies in."""

    __slots__ = ("_identity", "inside", "place", "prefix")

    def __init__(self, place: str, prefix: str, inside: _Folder | None) -> None:
        self.place, self.prefix, self.inside = place, prefix, inside
        self._identity: Identity | None = None

    @property
    def identity(self) -> Identity | None:
        """What the system knows the folder by; asked for once, and only where a link is met."""
        self._identity = self._identity or _identity(self.place)
        return self._identity

    def is_in_itself(self) -> bool:
        """Return whether the folder is one of those it lies in: a loop."""
        outer = self.inside
        while outer is not None:
            if outer.identity == self.identity:
                return True
            outer = outer.inside
        return False


class _Walk:
    """One walk through one source: a stack instead of recursion, since trees can be very deep.

    Every file comes through `_look`: it asks the cheap questions first and the system once.
    """

    def __init__(
        self, source: Source, keep_out: set[Identity], on_not_taken: Callable[[SourceFile], None] | None
    ) -> None:
        self._name = source.name
        self._is_wanted = _choice(source)
        self._on_not_taken = None if _takes_everything(source) else on_not_taken
        self._is_left = Patterns(source.leave).match
        self._leaves_all_below = Patterns(source.leave).match_all_below
        self._keep_out = keep_out
        self._facts_of = facts_of(stays_open=source.kind is SourceKind.LOGS)
        self._ahead: list[_Folder] = []
        self._findings: list[Finding] = []

    def run(self, root: str) -> Iterator[SourceFile | Finding]:
        self._ahead.append(_Folder(root, "", None))
        while self._ahead:
            yield from self._files_in(self._ahead.pop())
            yield from self._findings
            self._findings.clear()

    def _files_in(self, folder: _Folder) -> Iterator[SourceFile]:
        """Yield the files of one folder; its folders go onto the stack."""
        try:
            with os.scandir(folder.place) as entries:
                for entry in entries:
                    file = self._look(folder, entry)
                    if file is not None:
                        yield file
        except (FileNotFoundError, NotADirectoryError):
            self._find(FindingKind.VANISHED, folder.prefix[:-1], "The folder was there a moment ago.")
        except OSError as error:
            detail = f"The folder cannot be listed: {_reason(error)}."
            self._find(FindingKind.UNREADABLE, folder.prefix[:-1], detail)

    def _look(self, folder: _Folder, entry: os.DirEntry[str]) -> SourceFile | None:
        path = folder.prefix + entry.name
        try:
            if entry.is_dir():
                self._push(folder, entry, path)
            elif self._is_wanted(path) and not _was_dropped(entry):
                facts = self._facts_of(entry)
                if stat.S_ISREG(facts.st_mode):
                    return self._file(path, facts)
                self._find(FindingKind.NOT_A_FILE, path, _what_it_is(facts.st_mode))
            elif self._on_not_taken is not None and not self._is_left(path) and not _was_dropped(entry):
                facts = self._facts_of(entry)
                if stat.S_ISREG(facts.st_mode):
                    self._on_not_taken(self._file(path, facts))
        except OSError as error:
            self._unseen(entry, path, error)
        return None

    def _file(self, path: str, facts: os.stat_result) -> SourceFile:
        created_ns = None if born_ns is None else born_ns(facts)
        found = (self._name, path, facts.st_size, facts.st_mtime_ns, created_ns)
        return tuple.__new__(SourceFile, found)  # half the time of a call by name

    def _push(self, folder: _Folder, entry: os.DirEntry[str], path: str) -> None:
        if is_companion_folder(entry.name) or self._leaves_all_below(path):
            return
        found = _Folder(entry.path, f"{path}/", folder)
        if self._keep_out and found.identity in self._keep_out:
            return
        if leads_to_a_folder(entry) and found.is_in_itself():
            self._find(FindingKind.FOLDER_LOOP, path, "What is in it is carried once, from its own place.")
            return
        self._ahead.append(found)

    def _unseen(self, entry: os.DirEntry[str], path: str, error: OSError) -> None:
        if error.errno == errno.ELOOP:
            self._find(FindingKind.FOLDER_LOOP, path, "The link leads to itself.")
        elif not isinstance(error, FileNotFoundError):
            self._find(FindingKind.UNREADABLE, path, f"{_reason(error)}.")
        elif entry.is_symlink():
            self._find(FindingKind.NOT_A_FILE, path, "The link leads to nothing that is there.")

    def _find(self, kind: FindingKind, path: str, detail: str) -> None:
        self._findings.append(Finding(kind, detail, path))


def _takes_everything(source: Source) -> bool:
    return any(pattern in ("**", "**/*") for pattern in source.take)


def _choice(source: Source) -> Callable[[str], bool]:
    """Return a function that says whether a path is wanted: most sources leave nothing, and need not ask."""
    take, leave = Patterns(source.take), Patterns(source.leave)
    return (lambda path: take.match(path) and not leave.match(path)) if source.leave else take.match


def _was_dropped(entry: os.DirEntry[str]) -> bool:
    """Return whether another system dropped the file; looks closer only where its name gives reason to."""
    name = entry.name
    # .DS_Store, ._name, thumbs.db, desktop.ini: none ends as a frame or a log does.
    return (name[0] == "." or name[-1] in "bBiI") and is_companion(Path(entry.path))


def _what_it_is(mode: int) -> str:
    kinds = {
        stat.S_IFIFO: "a pipe",
        stat.S_IFSOCK: "a socket",
        stat.S_IFCHR: "a device",
        stat.S_IFBLK: "a device",
    }
    return f"It is {kinds.get(stat.S_IFMT(mode), 'something else')}, and was not opened."


def _reason(error: OSError) -> str:
    if error.errno == errno.ENAMETOOLONG:
        return "its path is longer than this system can open"
    return error.strerror or str(error)
