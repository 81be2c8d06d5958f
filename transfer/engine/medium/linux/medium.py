"""Linux: leases, syncfs, and reads that reach the medium, backed by the kernel's own counts.

Two caches lie between a program and a stick whose file system runs in user space: the file's and the
block device's. Both are evicted, both are looked at before the read (cachestat, else mincore), and the
sectors the device served are counted in /sys/dev/block/MAJ:MIN/stat (Linux Documentation/block/stat.rst).
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path

from transfer.engine.medium.base import ColdGroup, PinnedFolder, Volume
from transfer.engine.medium.linux.calls import (
    read_lease,
    reports_lost_writes,
    share_blocks,
    start_writeback,
    syncfs,
    write_lease,
)
from transfer.engine.medium.linux.cold import ColdWatch, LinuxColdGroup, bytes_taken, counter_file
from transfer.engine.medium.linux.mounts import Mount, is_for_drives, mount_of, mounts
from transfer.engine.medium.linux.names import file_system_of
from transfer.engine.medium.posix import PosixFolder, PosixMedium, run_tool


class LinuxFolder(PosixFolder):
    """A pinned folder on Linux."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.mount = mount_of(path.resolve(), self.device, mounts())
        # In user space syncfs reaches no daemon, and before Linux 5.8 it kept errors to itself.
        self._flush_whole = not self.mount.in_user_space and reports_lost_writes()
        self._block_device = _open_block_device(self.mount)
        self._counter = counter_file(self.device, self.mount)
        self._watch = ColdWatch(self.mount, self._counter, self._block_device)

    def clone(self, file: Path, descriptor: int) -> bool:
        source = os.open(file, os.O_RDONLY | os.O_CLOEXEC)
        try:
            return share_blocks(source, descriptor)
        finally:
            os.close(source)

    def start_writing(self, descriptor: int) -> None:
        # A daemon that is asked to flush takes no more writes until it is done, and the device would
        # idle in between: its pages are put on their way past the daemon.
        start_writeback(descriptor if self._block_device is None else self._block_device)

    def bytes_taken(self) -> int | None:
        return bytes_taken(self._counter)

    def flush_files(self, descriptors: Sequence[int]) -> None:
        if self._flush_whole:
            self._flush_file_system()
        else:
            super().flush_files(descriptors)
            self._flush_beyond_the_daemon()

    def flush_file(self, descriptor: int) -> None:
        if self._flush_whole:
            self._flush(descriptor)
        else:
            self.flush_files([descriptor])

    def flush_folders(self, paths: Sequence[str]) -> None:
        if self._flush_whole:
            self._flush_file_system()
        else:
            super().flush_folders(paths)
            self._flush_beyond_the_daemon()

    def _flush_file_system(self) -> None:
        syncfs(self.descriptor)
        # From memory of the kernel's FAT and exFAT drivers: their syncfs leaves the device's own cache
        # alone, and their fsync empties it.
        os.fsync(self.descriptor)

    def _flush(self, descriptor: int) -> None:
        os.fsync(descriptor)

    def _flush_beyond_the_daemon(self) -> None:
        """Flush everything where a daemon's own fsync may end in the cache of a device nobody names."""
        if self.mount.in_user_space and self._block_device is None:
            os.sync()

    @property
    def reads_back_beside_writing(self) -> bool:
        return self._block_device is None

    def chill(self) -> None:
        self._watch.chill()

    def cold(self, paths: Sequence[str]) -> ColdGroup:
        return LinuxColdGroup(self, paths, self._watch)

    def close(self) -> None:
        if self._block_device is not None:
            os.close(self._block_device)
        super().close()


def _open_block_device(mount: Mount) -> int | None:
    """Open the device under a user-space file system, whose pages are a cache of their own.

    None where there is no such cache, or this user may not read the device.
    """
    if not mount.in_user_space or not mount.source.startswith("/"):
        return None
    try:
        descriptor = os.open(mount.source, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError:
        return None
    if not stat.S_ISBLK(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        return None
    return descriptor


class LinuxMedium(PosixMedium):
    """Linux."""

    def volumes(self) -> list[Volume]:
        return [_volume(mount) for mount in mounts() if is_for_drives(mount)]

    def volume_of(self, path: Path) -> Volume:
        here = path.resolve()
        return _volume(mount_of(here, here.stat().st_dev, mounts()))

    def pin(self, path: Path) -> PinnedFolder:
        return LinuxFolder(path)

    def _eject(self, volume: Volume) -> None:
        """Unmount it, by the service that mounts drives for people where there is one, and cut its power.

        Where the device's power cannot be cut it is unmounted all the same: nothing more is written to it.
        """
        import shutil  # slow to load, and no run but one that lets go of a drive wants it

        service = shutil.which("udisksctl")
        device = ("--no-user-interaction", "--block-device", volume.device)
        if service is None or not _succeeds(service, "unmount", *device):
            run_tool("umount", str(volume.root))  # as root, or where /etc/fstab lets this user
        if service is not None:
            _succeeds(service, "power-off", *device)

    def is_being_written(self, descriptor: int) -> bool | None:
        try:
            with read_lease(descriptor):
                return False
        except BlockingIOError:
            return True
        except OSError:
            return None

    @contextlib.contextmanager
    def alone_with(self, descriptor: int) -> Iterator[bool | None]:
        with contextlib.ExitStack() as held:
            try:
                held.enter_context(write_lease(descriptor))
                alone: bool | None = True
            except BlockingIOError:
                alone = False
            except OSError:
                alone = None
            yield alone


def _succeeds(*command: str) -> bool:
    try:
        run_tool(*command)
    except OSError:
        return False
    return True


def _volume(mount: Mount) -> Volume:
    return Volume(Path(mount.root), file_system_of(mount), mount.source)
