"""What the engine asks of an operating system, and the records it answers with."""

from __future__ import annotations

import errno
import os
import sys
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from enum import StrEnum
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

from transfer.engine.medium.looking import born_ns

BLOCK_BYTES = 1 << 20
# What stands for the free space of a file system that keeps no count: a full drive is met when it is full.
FREE_UNKNOWN = sys.maxsize

# ECONNABORTED: what the call in flight gets when a driver in user space dies; ENOTCONN those after it.
_LEFT_NAMES = ("ENODEV", "ENXIO", "ENOTCONN", "ECONNABORTED", "ESHUTDOWN", "ESTALE", "ENOMEDIUM")
# Not every system knows every name.
_LEFT = frozenset(getattr(errno, name) for name in _LEFT_NAMES if hasattr(errno, name))


def drive_has_left(error: OSError) -> bool:
    """Return whether an error means that the device is gone, rather than a bad file or sector."""
    return error.errno in _LEFT


def drive_is_full(error: OSError) -> bool:
    """Return whether an error means that there is no room, or no more for this user."""
    return error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))


class ReadBack(StrEnum):
    """Where a compared copy was read from, as far as the system can tell."""

    MEDIUM = "medium"
    PERHAPS_MEMORY = "perhaps memory"


class ReplacedFile(OSError):
    """Another file has the name of the one that was opened; nothing was done to either."""

    def __init__(self, path: str) -> None:
        super().__init__(errno.ESTALE, "another file has its name now", path)


class Evidence(NamedTuple):
    """What backs a read-back: `read_back`, and the method or the reason in a few words.

    `remedy` is the command, if there is one, after which a read-back reaches the medium.
    """

    read_back: ReadBack
    method: str
    remedy: str = ""


class Volume(NamedTuple):
    """A mounted file system: where its root is, its type as the system names it, and its device."""

    root: Path
    file_system: str
    device: str


class SizeAndTimesNs(NamedTuple):
    """A file's size, and its times in nanoseconds since 1970; `created_ns` where the system keeps it."""

    size_bytes: int
    modified_ns: int
    created_ns: int | None


class ColdGroup(ABC):
    """A few files read past every cache, and what backs the claim.

    Used as a context: entering evicts and looks at the caches, leaving lets go of the files.
    """

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @abstractmethod
    def blocks(self, path: str) -> Iterator[memoryview]:
        """Read one file of the group, in order; a block is valid until the next is asked for.

        Raises OSError where the file cannot be read.
        """

    @abstractmethod
    def evidence(self) -> Evidence:
        """Say what backs what the group has read so far."""

    @abstractmethod
    def close(self) -> None:
        """Close the files."""


class PinnedFolder(ABC):
    """A folder held open, so that every act below it reaches the file system it was on at first.

    Paths are relative, with `/`. A stick that leaves, or a folder of the same name that appears in
    its place, can thus not receive a byte. Every method raises OSError.
    """

    path: Path

    @abstractmethod
    def create_file(self, path: str) -> int:
        """Create a file that must not exist yet and give its descriptor, open for writing."""

    @abstractmethod
    def extend_file(self, path: str) -> int:
        """Open a regular file that is there for writing at its end, following no link."""

    @abstractmethod
    def open_file(self, path: str) -> int:
        """Open a regular file for reading, following no link."""

    @abstractmethod
    def replace(self, old: str, new: str) -> None:
        """Rename the file `old` to `new` in one step, in place of what had that name."""

    def give_name(self, old: str, new: str) -> bool:
        """Rename the file `old` to `new` where nothing has that name; return whether it was done.

        `old` may be on its way to be renamed: two runs never give names in the same bag at once.
        """
        if self.stat(new) is not None:
            return False
        self.replace(old, new)
        return True

    @abstractmethod
    def hard_link(self, file: Path, path: str) -> None:
        """Make a hard link to a file that lies anywhere: a name below the folder that must not exist yet.

        A link is followed to its file. FileNotFoundError: the file is not there.
        """

    @abstractmethod
    def symbolic_link(self, file: Path, path: str) -> None:
        """Make a link to a file that lies anywhere, under a name that must not exist yet."""

    def clone(self, file: Path, descriptor: int) -> bool:  # noqa: ARG002 - where a system can
        """Make an empty open file share the blocks of a file that lies anywhere, until one is written.

        Return whether it was done: not every system and file system can.
        """
        return False

    def make_read_only(self, path: str) -> bool:  # noqa: ARG002 - where a system can
        """Take from everyone the right to write into a file, or the file that a link leads to.

        Return whether it was done: Windows could then not replace or remove the file either.
        """
        return False

    @abstractmethod
    def remove(self, path: str) -> None:
        """Remove a file."""

    @abstractmethod
    def open_to_remove(self, path: str) -> int:
        """Open a regular file for reading that is to be removed after it was read, following no link.

        Where the system can do that, no program can write to the file while it is open so: OSError with
        EBUSY where one has it open for writing already.
        """

    @abstractmethod
    def remove_opened(self, descriptor: int, path: str) -> None:
        """Remove the file that `open_to_remove` opened; its descriptor stays open.

        Raises ReplacedFile where another file has its name by now. Windows removes the open file itself;
        Linux and macOS know no such call: there the two are compared at the last moment before.
        """

    @abstractmethod
    def remove_folder(self, path: str) -> None:
        """Remove a folder that is empty; any other is an OSError."""

    @abstractmethod
    def make_folders(self, path: str) -> set[str]:
        """Make a folder and those above it, where they are not there yet.

        Gives the folders that got a new name and have to be flushed.
        """

    @abstractmethod
    def stat(self, path: str) -> os.stat_result | None:
        """Return a file's or folder's facts without following a link, or None where it is not there."""

    @abstractmethod
    def names(self, path: str) -> list[tuple[str, bool]]:
        """List a folder: each name, and whether it is a folder. Empty where there is none."""

    @abstractmethod
    def sizes(self, path: str) -> dict[str, int]:
        """Return the size of each regular file in a folder by its name, in bytes. Empty without any."""

    @abstractmethod
    def start_writing(self, descriptor: int) -> None:
        """Have the system begin to write what was written to an open file, without waiting for it."""

    def bytes_taken(self) -> int | None:
        """Return how many bytes the device has been given to write so far; None where no system counts."""
        return None

    @abstractmethod
    def flush_files(self, descriptors: Sequence[int]) -> None:
        """Bring the files' content to the medium. After an error nothing is known of any of them."""

    def flush_file(self, descriptor: int) -> None:
        """Bring one file's content to the medium, and of others no more than the system does by itself."""
        self.flush_files([descriptor])

    @abstractmethod
    def flush_folders(self, paths: Sequence[str]) -> None:
        """Bring the folders' names to the medium."""

    @abstractmethod
    def set_modified(self, descriptor: int, modified_ns: int) -> None:
        """Set the modification time of an open file."""

    @abstractmethod
    def free_bytes(self) -> int:
        """Return the space that is free for this user; more than any night where the system does not say."""

    def may_be_written(self) -> bool:
        """Return whether this user may write below the folder, without trying it.

        POSIX says so of a file system that is mounted read-only as well (access(2): EROFS). Windows does not
        tell of a write-protected volume before something is written.
        """
        return os.access(self.path, os.W_OK)

    @abstractmethod
    def still_there(self) -> bool:
        """Return whether the path the folder was opened by still leads to it."""

    @property
    def reads_back_beside_writing(self) -> bool:
        """Whether a read-back proves as much while other files are written as it does afterwards.

        Where all files share a cache that is emptied once for a whole read-back, what is written meanwhile
        fills it again.
        """
        return True

    @abstractmethod
    def chill(self) -> None:
        """Empty the caches that all files of the file system share: once, before a read-back begins.

        What was written since the last flush stays where it is.
        """

    @abstractmethod
    def cold(self, paths: Sequence[str]) -> ColdGroup:
        """Make a group of files ready to be read past the caches."""

    @abstractmethod
    def close(self) -> None:
        """Close the folder."""


class Medium(ABC):
    """One operating system."""

    @abstractmethod
    def volumes(self) -> list[Volume]:
        """List the mounted volumes a drive may be on; pseudo and remote file systems left out."""

    @abstractmethod
    def volume_of(self, path: Path) -> Volume:
        """Return the volume a path is on."""

    def system_volume(self) -> Volume:
        """Return the volume that the system runs from."""
        return self.volume_of(Path("/"))

    @abstractmethod
    def pin(self, path: Path) -> PinnedFolder:
        """Open a folder and hold it open. Raises OSError."""

    @abstractmethod
    def lock(self, path: Path) -> int | None:
        """Lock a file for as long as the descriptor stays open; None if another run has it.

        The system lets go of it when the process ends, however it ends.
        """

    @abstractmethod
    def open_source(self, path: str) -> int:
        """Open a source for reading, in the way of no other program. Raises OSError."""

    def size_and_times(self, descriptor: int) -> SizeAndTimesNs:
        """Return the size and times of an open file as they are now. Raises OSError."""
        facts = os.fstat(descriptor)
        return SizeAndTimesNs(facts.st_size, facts.st_mtime_ns, None if born_ns is None else born_ns(facts))

    @abstractmethod
    def is_being_written(self, descriptor: int) -> bool | None:
        """Return whether another program has the file open for writing; None where that is unknown."""

    @abstractmethod
    def alone_with(self, descriptor: int) -> AbstractContextManager[bool | None]:
        """Return a context in which it is known whether no other program has an open file open.

        None where that is unknown. Where it is True and the system can do that, other programs are kept from
        opening the file until the context is left.
        """

    @abstractmethod
    def eject(self, root: Path) -> None:
        """Let go of the volume whose root this is, in the system's own way, so that it may be pulled.

        Raises OSError, whose text says why not: it is in use, it is no volume of its own, it is the
        system's, or this user may not.
        """

    @abstractmethod
    def is_locked(self, error: OSError) -> bool:
        """Return whether an error is caused by another program's lock, and may pass."""


def write_all(descriptor: int, block: bytes | memoryview) -> None:
    """Write a whole block, however many short writes it takes. Raises OSError."""
    rest = memoryview(block)
    while rest:
        written = os.write(descriptor, rest)
        if written == 0:
            raise OSError(errno.EIO, "the system wrote nothing and reported no error")
        rest = rest[written:]
