"""What Linux and macOS share: folders pinned by a descriptor, and locks that die with the process."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import stat
import threading
from abc import abstractmethod
from collections import OrderedDict
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from transfer.engine.medium.base import FREE_UNKNOWN, Medium, PinnedFolder, ReplacedFile, Volume

_MAY_WRITE = stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH
_FOLDER_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_OPEN_FOLDERS = 64
_NO_DESCRIPTOR = -1  # refused with EBADF by every call


class _OpenFolder:
    """A folder's descriptor, closed when the last thread at work in the folder lets go of it."""

    __slots__ = ("descriptor",)

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor

    def __del__(self) -> None:
        if self.descriptor != _NO_DESCRIPTOR:
            with contextlib.suppress(OSError):  # nothing was written through it; Python would print it
                os.close(self.descriptor)


class PosixFolder(PinnedFolder):
    """A folder pinned by an open descriptor; every path below is walked from it, through no link."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._root = _OpenFolder(os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC))
        self.device = os.fstat(self._root.descriptor).st_dev
        self._folders: OrderedDict[str, _OpenFolder] = OrderedDict()
        self._lock = threading.Lock()

    @property
    def descriptor(self) -> int:
        """The pinned folder's own descriptor."""
        return self._root.descriptor

    def _folder(self, path: str) -> _OpenFolder:
        """Open a folder below, walked to part by part, each checked to be on this device."""
        if path in ("", "."):
            return self._root
        with self._lock:
            if path in self._folders:
                self._folders.move_to_end(path)
                return self._folders[path]
        opened = self._root
        for name in path.split("/"):
            opened = self._step(opened, name)
        self._remember(path, opened)
        return opened

    def _step(self, above: _OpenFolder, name: str) -> _OpenFolder:
        if name == "..":
            raise OSError(errno.EINVAL, "a path below a drive must not climb", name)
        try:
            opened = _OpenFolder(os.open(name, _FOLDER_FLAGS, dir_fd=above.descriptor))
        except OSError as error:
            if error.errno == errno.ELOOP:  # what macOS says of a link, where Linux says ENOTDIR
                raise NotADirectoryError(errno.ENOTDIR, "a link lies in the way", name) from error
            raise
        if os.fstat(opened.descriptor).st_dev != self.device:
            raise OSError(errno.EXDEV, "another file system is mounted here", name)
        return opened

    def _remember(self, path: str, opened: _OpenFolder) -> None:
        with self._lock:
            self._folders[path] = opened
            if len(self._folders) > _OPEN_FOLDERS:
                self._folders.popitem(last=False)

    def _within(self, path: str) -> tuple[_OpenFolder, str]:
        above, _, name = path.rpartition("/")
        return self._folder(above), name

    def create_file(self, path: str) -> int:
        folder, name = self._within(path)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        return os.open(name, flags, 0o666, dir_fd=folder.descriptor)

    def extend_file(self, path: str) -> int:
        return self._open_regular(path, os.O_WRONLY | os.O_APPEND)

    def open_file(self, path: str) -> int:
        return self._open_regular(path, os.O_RDONLY)

    def _open_regular(self, path: str, access: int) -> int:
        folder, name = self._within(path)
        # O_NONBLOCK: a FIFO under a manifest's name must not hang the run.
        flags = access | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
        opened = os.open(name, flags, dir_fd=folder.descriptor)
        if not stat.S_ISREG(os.fstat(opened).st_mode):
            os.close(opened)
            raise OSError(errno.EINVAL, "not a regular file", path)
        return opened

    def replace(self, old: str, new: str) -> None:
        from_folder, from_name = self._within(old)
        to_folder, to_name = self._within(new)
        os.rename(from_name, to_name, src_dir_fd=from_folder.descriptor, dst_dir_fd=to_folder.descriptor)
        self._forget(old)

    def _forget(self, path: str) -> None:
        """Close a folder that may have got another name, and all below it."""
        with self._lock:
            for known in [known for known in self._folders if f"{known}/".startswith(f"{path}/")]:
                del self._folders[known]

    def hard_link(self, file: Path, path: str) -> None:
        folder, name = self._within(path)
        os.link(file, name, dst_dir_fd=folder.descriptor)

    def symbolic_link(self, file: Path, path: str) -> None:
        folder, name = self._within(path)
        os.symlink(file, name, dir_fd=folder.descriptor)

    def make_read_only(self, path: str) -> bool:
        folder, name = self._within(path)
        try:
            mode = os.stat(name, dir_fd=folder.descriptor).st_mode
            if mode & _MAY_WRITE:
                os.chmod(name, stat.S_IMODE(mode) & ~_MAY_WRITE, dir_fd=folder.descriptor)
        except PermissionError:  # another user's file
            return False
        return True

    def remove(self, path: str) -> None:
        folder, name = self._within(path)
        os.unlink(name, dir_fd=folder.descriptor)

    def open_to_remove(self, path: str) -> int:
        return self.open_file(path)

    def remove_opened(self, descriptor: int, path: str) -> None:
        folder, name = self._within(path)
        opened = os.fstat(descriptor)
        there = os.stat(name, dir_fd=folder.descriptor, follow_symlinks=False)
        if (opened.st_dev, opened.st_ino) != (there.st_dev, there.st_ino):
            raise ReplacedFile(path)
        os.unlink(name, dir_fd=folder.descriptor)

    def remove_folder(self, path: str) -> None:
        folder, name = self._within(path)
        os.rmdir(name, dir_fd=folder.descriptor)
        self._forget(path)

    def make_folders(self, path: str) -> set[str]:
        changed: set[str] = set()
        if path in self._folders:
            return changed
        above = ""
        for name in path.split("/") if path else ():
            folder = self._folder(above)
            try:
                os.mkdir(name, dir_fd=folder.descriptor)
                changed.add(above)
            except FileExistsError:
                pass
            above = f"{above}/{name}" if above else name
        return changed

    def stat(self, path: str) -> os.stat_result | None:
        try:
            folder, name = self._within(path)
            return os.stat(name or ".", dir_fd=folder.descriptor, follow_symlinks=False)
        except (FileNotFoundError, NotADirectoryError):
            return None

    def names(self, path: str) -> list[tuple[str, bool]]:
        with self._listing(path) as found:
            return sorted((each.name, each.is_dir(follow_symlinks=False)) for each in found)

    def sizes(self, path: str) -> dict[str, int]:
        with self._listing(path) as found:
            return {
                each.name: each.stat(follow_symlinks=False).st_size
                for each in found
                if each.is_file(follow_symlinks=False)
            }

    @contextlib.contextmanager
    def _listing(self, path: str) -> Iterator[Iterable[os.DirEntry[str]]]:
        try:
            folder = self._folder(path)
            # A listing moves its descriptor's position: it gets one of its own.
            own = os.open(".", _FOLDER_FLAGS, dir_fd=folder.descriptor)
        except (FileNotFoundError, NotADirectoryError):
            yield ()
            return
        try:
            with os.scandir(own) as found:
                yield found
        finally:
            os.close(own)

    def flush_files(self, descriptors: Sequence[int]) -> None:
        for descriptor in descriptors:
            self._flush(descriptor)

    def flush_folders(self, paths: Sequence[str]) -> None:
        for path in paths:
            opened = self._folder(path)
            self._flush(opened.descriptor)

    @abstractmethod
    def _flush(self, descriptor: int) -> None:
        """Bring one file or folder to the medium."""

    def set_modified(self, descriptor: int, modified_ns: int) -> None:
        os.utime(descriptor, ns=(modified_ns, modified_ns))

    def free_bytes(self) -> int:
        facts = os.fstatvfs(self.descriptor)
        return facts.f_bavail * facts.f_frsize if facts.f_blocks else FREE_UNKNOWN

    def still_there(self) -> bool:
        try:
            now = self.path.stat()
        except OSError:
            return False
        pinned = os.fstat(self.descriptor)
        return (now.st_dev, now.st_ino) == (pinned.st_dev, pinned.st_ino)

    def close(self) -> None:
        self._folders.clear()
        self._root = _OpenFolder(_NO_DESCRIPTOR)


class PosixMedium(Medium):
    """What Linux and macOS share."""

    def lock(self, path: Path) -> int | None:
        descriptor = _open_to_lock(path)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            with contextlib.suppress(OSError):  # that another holds the lock is known all the same
                os.close(descriptor)
            if isinstance(error, BlockingIOError | PermissionError):
                return None
            raise
        return descriptor

    def open_source(self, path: str) -> int:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            os.close(descriptor)
            raise OSError(errno.EINVAL, "no longer a regular file", path)
        return descriptor

    def eject(self, root: Path) -> None:
        volume = self.volume_of(root)
        if volume.root != root.resolve():
            raise OSError(errno.EINVAL, "it is a folder, and no volume of its own", str(root))
        if volume.root == self.system_volume().root:
            raise OSError(errno.EBUSY, "the system runs from it", str(root))
        self._eject(volume)

    @abstractmethod
    def _eject(self, volume: Volume) -> None:
        """Let go of a volume that may be let go of. Raises OSError."""

    def is_locked(self, error: OSError) -> bool:
        return error.errno in (errno.EAGAIN, errno.EBUSY, errno.ETXTBSY)


def run_tool(*command: str) -> None:
    """Run a program of the system's own. Raises OSError with what it said where it fails or is not there."""
    import subprocess  # slow to load, and hardly any run starts a program

    quiet = {**os.environ, "LC_ALL": "C"}
    done = subprocess.run(  # noqa: S603 - the system's own, with a path that is its own argument
        command, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL, env=quiet
    )
    if done.returncode != 0:
        said = " ".join((done.stderr or done.stdout).split()).rstrip(".")
        raise OSError(errno.EBUSY, said or f"{command[0]} ended with {done.returncode}")


def _open_to_lock(path: Path) -> int:
    """Open for writing where that is allowed: some network file systems lock nothing less."""
    try:
        return os.open(path, os.O_RDWR | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        if error.errno not in (errno.EACCES, errno.EPERM, errno.EROFS):
            raise
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
