"""What Linux and macOS share: folders pinned by a descriptor, and locks that die with the process."""

from __future__ import annotations

import errno
import fcntl
import os
import stat
from abc import abstractmethod
from collections import OrderedDict
from collections.abc import Sequence
from pathlib import Path

from transfer.engine.medium.base import Medium, PinnedFolder

_FOLDER_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_OPEN_FOLDERS = 64


class PosixFolder(PinnedFolder):
    """A folder pinned by an open descriptor; every path below is walked from it, through no link."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._root = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        self.device = os.fstat(self._root).st_dev
        self._folders: OrderedDict[str, int] = OrderedDict()

    @property
    def descriptor(self) -> int:
        """The pinned folder's own descriptor."""
        return self._root

    def _folder(self, path: str) -> int:
        """Give a descriptor of a folder below, walked to part by part, each checked to be on this device."""
        if path in ("", "."):
            return self._root
        if path in self._folders:
            self._folders.move_to_end(path)
            return self._folders[path]
        at = os.dup(self._root)
        for name in path.split("/"):
            below = self._step(at, name)
            os.close(at)
            at = below
        self._remember(path, at)
        return at

    def _step(self, above: int, name: str) -> int:
        try:
            opened = os.open(name, _FOLDER_FLAGS, dir_fd=above)
        except OSError:
            os.close(above)
            raise
        if os.fstat(opened).st_dev != self.device:
            os.close(opened)
            os.close(above)
            raise OSError(errno.EXDEV, "another file system is mounted here", name)
        return opened

    def _remember(self, path: str, opened: int) -> None:
        self._folders[path] = opened
        if len(self._folders) > _OPEN_FOLDERS:
            os.close(self._folders.popitem(last=False)[1])

    def _within(self, path: str) -> tuple[int, str]:
        above, _, name = path.rpartition("/")
        return self._folder(above), name

    def create_file(self, path: str) -> int:
        folder, name = self._within(path)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        return os.open(name, flags, 0o666, dir_fd=folder)

    def open_file(self, path: str) -> int:
        folder, name = self._within(path)
        # O_NONBLOCK: a FIFO under a manifest's name must not hang the run.
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
        opened = os.open(name, flags, dir_fd=folder)
        if not stat.S_ISREG(os.fstat(opened).st_mode):
            os.close(opened)
            raise OSError(errno.EINVAL, "not a regular file", path)
        return opened

    def replace(self, old: str, new: str) -> None:
        from_folder, from_name = self._within(old)
        to_folder, to_name = self._within(new)
        os.rename(from_name, to_name, src_dir_fd=from_folder, dst_dir_fd=to_folder)

    def remove(self, path: str) -> None:
        folder, name = self._within(path)
        os.unlink(name, dir_fd=folder)

    def make_folders(self, path: str) -> set[str]:
        changed: set[str] = set()
        if path in self._folders:
            return changed
        above = ""
        for name in path.split("/") if path else ():
            try:
                os.mkdir(name, dir_fd=self._folder(above))
                changed.add(above)
            except FileExistsError:
                pass
            above = f"{above}/{name}" if above else name
        return changed

    def stat(self, path: str) -> os.stat_result | None:
        try:
            folder, name = self._within(path)
            return os.stat(name or ".", dir_fd=folder, follow_symlinks=False)
        except (FileNotFoundError, NotADirectoryError):
            return None

    def names(self, path: str) -> list[tuple[str, bool]]:
        try:
            # A listing moves its descriptor's position: it gets one of its own.
            own = os.open(".", _FOLDER_FLAGS, dir_fd=self._folder(path))
        except (FileNotFoundError, NotADirectoryError):
            return []
        try:
            with os.scandir(own) as found:
                return sorted((each.name, each.is_dir(follow_symlinks=False)) for each in found)
        finally:
            os.close(own)

    def flush_files(self, descriptors: Sequence[int]) -> None:
        for descriptor in descriptors:
            self._flush(descriptor)

    def flush_folders(self, paths: Sequence[str]) -> None:
        for path in paths:
            self._flush(self._folder(path))

    @abstractmethod
    def _flush(self, descriptor: int) -> None:
        """Bring one file or folder to the medium."""

    def set_modified(self, descriptor: int, modified_ns: int) -> None:
        os.utime(descriptor, ns=(modified_ns, modified_ns))

    def free_bytes(self) -> int:
        facts = os.fstatvfs(self._root)
        return facts.f_bavail * facts.f_frsize

    def still_there(self) -> bool:
        try:
            now = self.path.stat()
        except OSError:
            return False
        pinned = os.fstat(self._root)
        return (now.st_dev, now.st_ino) == (pinned.st_dev, pinned.st_ino)

    def close(self) -> None:
        while self._folders:
            os.close(self._folders.popitem()[1])
        os.close(self._root)


class PosixMedium(Medium):
    """What Linux and macOS share."""

    def lock(self, path: Path) -> int | None:
        descriptor = _open_to_lock(path)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except (BlockingIOError, PermissionError):
            os.close(descriptor)
            return None
        return descriptor

    def open_source(self, path: str) -> int:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            os.close(descriptor)
            raise OSError(errno.EINVAL, "no longer a regular file", path)
        return descriptor

    def is_locked(self, error: OSError) -> bool:
        return error.errno in (errno.EAGAIN, errno.EBUSY, errno.ETXTBSY)


def _open_to_lock(path: Path) -> int:
    """Open for writing where that is allowed: some network file systems lock nothing less."""
    try:
        return os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except OSError as error:
        if error.errno not in (errno.EACCES, errno.EPERM, errno.EROFS):
            raise
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC)
