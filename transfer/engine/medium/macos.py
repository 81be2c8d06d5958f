"""macOS: F_FULLFSYNC to flush, F_NOCACHE to keep out of the cache. Follows Apple's fcntl(2); not run here."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import re
import subprocess
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from transfer.engine.medium.base import BLOCK_BYTES, ColdGroup, Evidence, PinnedFolder, ReadBack, Volume
from transfer.engine.medium.posix import PosixFolder, PosixMedium, run_tool

# The values of <sys/fcntl.h>; Python names them only when built on macOS.
F_NOCACHE: int = getattr(fcntl, "F_NOCACHE", 48)
F_FULLFSYNC: int = getattr(fcntl, "F_FULLFSYNC", 51)

Control = Callable[[int, int, int], object]


def _keep_out_of_the_cache(control: Control, descriptor: int) -> None:
    # Some file systems know no such thing. Nothing rests on it: the evidence is the weaker one anyway.
    with contextlib.suppress(OSError):
        control(descriptor, F_NOCACHE, 1)


def flush_from(root: str, control: Control = fcntl.fcntl) -> None:
    """Flush a folder, and with it the drive's own memory. Raises OSError."""
    descriptor = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        try:
            control(descriptor, F_FULLFSYNC, 0)
        except OSError:
            os.fsync(descriptor)  # not every file system knows the other
    finally:
        os.close(descriptor)


class MacColdGroup(ColdGroup):
    """Files opened with F_NOCACHE. Pages that are cached already are still served from memory."""

    def __init__(self, folder: PosixFolder, control: Control) -> None:
        self._folder = folder
        self._control = control

    def blocks(self, path: str) -> Iterator[memoryview]:
        descriptor = self._folder.open_file(path)
        try:
            _keep_out_of_the_cache(self._control, descriptor)
            while block := os.read(descriptor, BLOCK_BYTES):
                yield memoryview(block)
        finally:
            os.close(descriptor)

    def evidence(self) -> Evidence:
        return Evidence(ReadBack.PERHAPS_MEMORY, "read with F_NOCACHE; the system offers no counter")

    def close(self) -> None:
        """Nothing is held between files."""


class MacFolder(PosixFolder):
    """A pinned folder on macOS. `control` is fcntl(2)."""

    def __init__(self, path: Path, control: Control = fcntl.fcntl) -> None:
        super().__init__(path)
        self._control = control

    def create_file(self, path: str) -> int:
        descriptor = super().create_file(path)
        # Set while writing, or the read-back would be served from the pages the write left.
        _keep_out_of_the_cache(self._control, descriptor)
        return descriptor

    def start_writing(self, descriptor: int) -> None:
        """F_NOCACHE writes at once."""

    def _flush(self, descriptor: int) -> None:
        try:
            self._control(descriptor, F_FULLFSYNC, 0)
        except OSError as error:
            # Network and some foreign file systems do not know it; fsync is then all there is. Any
            # other error is a failed flush, and a flush is never tried again.
            if error.errno not in (errno.ENOTSUP, errno.ENOTTY, errno.EINVAL):
                raise
            os.fsync(descriptor)

    def chill(self) -> None:
        """There is no cache but the files' own."""

    def cold(self, paths: Sequence[str]) -> ColdGroup:  # noqa: ARG002 - nothing can be evicted beforehand
        return MacColdGroup(self, self._control)


def _mount_table() -> str:
    return subprocess.run(["/sbin/mount"], capture_output=True, text=True, check=False).stdout


class MacMedium(PosixMedium):
    """macOS. `mount_table` gives what mount(8) prints."""

    def __init__(self, mount_table: Callable[[], str] = _mount_table) -> None:
        self._mount_table = mount_table

    def volumes(self) -> list[Volume]:
        return [
            volume for volume in mounted_volumes(self._mount_table()) if volume.device.startswith("/dev/")
        ]

    def volume_of(self, path: Path) -> Volume:
        here = path.resolve()
        above = [
            volume for volume in mounted_volumes(self._mount_table()) if here.is_relative_to(volume.root)
        ]
        unknown = Volume(Path(here.anchor), "", "")
        return max(above, key=lambda volume: len(volume.root.parts), default=unknown)

    def pin(self, path: Path) -> PinnedFolder:
        return MacFolder(path)

    def _eject(self, volume: Volume) -> None:
        run_tool("/usr/sbin/diskutil", "eject", str(volume.root))  # diskutil(8)

    def is_being_written(self, descriptor: int) -> bool | None:  # noqa: ARG002 - macOS has no leases to ask with
        return None

    @contextlib.contextmanager
    def alone_with(self, descriptor: int) -> Iterator[bool | None]:  # noqa: ARG002 - likewise
        yield None


def mounted_volumes(table: str) -> list[Volume]:
    """Read what mount(8) prints: `/dev/disk4s1 on /Volumes/STICK (exfat, local, nodev)`, a line each."""
    lines = re.findall(r"^(.+?) on (/.*) \(([^,)]+)[^)]*\)$", table, re.MULTILINE)
    return [Volume(Path(root), file_system, device) for device, root, file_system in lines]
