"""Real file systems for tests: made in an image, mounted, and always taken down again."""

from __future__ import annotations

import contextlib
import mmap
import os
import select
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

KINDS = ("ext4", "exfat", "ntfs", "fat32")
# Where files can share blocks; it needs 110 MB at least.
CLONING = "btrfs"

_MAKE = {
    "ext4": ("mkfs.ext4", "-q", "-F"),
    "exfat": ("mkfs.exfat",),
    "ntfs": ("mkntfs", "-F", "-q", "-f"),
    "fat32": ("mkfs.vfat", "-F32"),
    CLONING: ("mkfs.btrfs", "-q", "--mixed"),
}
_MOUNT = {
    "ext4": ("mount", "-t", "ext4"),
    "exfat": ("mount.exfat-fuse",),
    "ntfs": ("mount", "-t", "ntfs-3g"),
    "fat32": ("fusefat", "-o", "rw+"),
    CLONING: ("mount", "-t", "btrfs"),
}
_DRIVERS = {"ext4": (), "exfat": (), "ntfs": ("mount.ntfs-3g",), "fat32": (), CLONING: ()}
_THROTTLE = Path("/sys/fs/cgroup/blkio")
_SECTOR_BYTES = 512  # the unit of /sys/block/…/stat
_SERVER_ENDS_WITHIN_MS = 20_000


def unavailable(reason: str) -> None:
    """Skip the test; in CI, where everything is installed, fail it."""
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


def need_tools(*tools: str) -> None:
    """Skip, or in CI fail, unless all these programs are there."""
    missing = [tool for tool in tools if shutil.which(tool, path=_search_path()) is None]
    if missing:
        unavailable(f"needs {', '.join(missing)}")


def need(kind: str) -> None:
    """Skip, or in CI fail, unless a volume of this kind can be made and mounted here."""
    if not sys.platform.startswith("linux"):
        pytest.skip("real volumes are mounted on Linux only")
    if os.geteuid() != 0:
        unavailable("mounting a volume needs root")
    if kind != "fat32" and not Path("/dev/loop-control").exists():
        unavailable("needs loop devices")
    if kind not in ("ext4", CLONING) and not Path("/dev/fuse").exists():
        unavailable("needs FUSE")
    loop = () if kind == "fat32" else ("losetup",)
    need_tools("umount", _MAKE[kind][0], _MOUNT[kind][0], *_DRIVERS[kind], *loop)


def _search_path() -> str:
    return f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"


def _run(*command: str | Path) -> str:
    """Run a program of the system; what it says is shown where it fails."""
    result = subprocess.run(
        [str(part) for part in command],
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
        env={**os.environ, "PATH": _search_path(), "LC_ALL": "C"},
    )
    if result.returncode != 0:
        raise RuntimeError(f"{command} ended with {result.returncode}: {result.stdout}{result.stderr}")
    return result.stdout.strip()


@dataclass(slots=True)
class Volume:
    """A mounted file system of its own.

    `path` is where it is mounted, `image` the file it lives in, `device` the loop device between the
    two; None for fat32, whose driver works on the image itself.
    """

    kind: str
    path: Path
    image: Path
    device: str | None = None
    mounted: bool = False

    # Mounting

    def mount_again(self) -> None:
        """Mount it where it was."""
        said = _run(*_MOUNT[self.kind], self.device or self.image, self.path)
        self.mounted = self.path.is_mount()
        if not self.mounted:  # a driver may go to the background before it fails
            raise RuntimeError(f"not mounted: {said}")

    def unmount(self) -> None:
        """Unmount it, and wait until its driver in user space has written everything and ended."""
        server = self._server_handle()
        try:
            _run("umount", self.path)
            self.mounted = False
            _wait_for_end(server)
        finally:
            if server is not None:
                os.close(server)

    def pull(self) -> None:
        """Take the mount away while files below it are open, as a desktop does when a stick is pulled."""
        _run("umount", "-l", self.path)
        self.mounted = False

    def server(self) -> int | None:
        """Return the process id of the driver in user space; None for ext4, which the kernel serves."""
        served = os.fsencode(self.device or str(self.image))
        for folder in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError):
                words = (folder / "cmdline").read_bytes().split(b"\0")
                if served in words and os.fsencode(self.path) in words:
                    return int(folder.name)
        return None

    def _server_handle(self) -> int | None:
        server = self.server()
        return None if server is None else os.pidfd_open(server)

    # The device

    def served(self) -> int:
        """Count the bytes that the device has given so far."""
        return self._counts()[2] * _SECTOR_BYTES

    def written(self) -> int:
        """Count the bytes that the device has taken so far."""
        return self._counts()[6] * _SECTOR_BYTES

    def flushes(self) -> int:
        """Count how often the device was told to empty its own cache."""
        return self._counts()[15]

    def _counts(self) -> list[int]:
        return [int(word) for word in Path(f"/sys/dev/block/{self.number}/stat").read_text().split()]

    @property
    def number(self) -> str:
        """The device as the kernel names it: MAJOR:MINOR."""
        assert self.device is not None, f"{self.kind} has no device"
        facts = Path(self.device).stat()
        return f"{os.major(facts.st_rdev)}:{os.minor(facts.st_rdev)}"

    def throttle(self, write_bytes_per_s: int, read_bytes_per_s: int) -> None:
        """Make the device as slow as a stick; 0 lifts it. Skips where the kernel cannot."""
        if not (_THROTTLE / "blkio.throttle.write_bps_device").exists():
            unavailable("needs the blkio controller to slow a device down")
        self._limit(write_bytes_per_s, read_bytes_per_s)

    def _limit(self, write_bytes_per_s: int, read_bytes_per_s: int) -> None:
        for name, rate in (("write", write_bytes_per_s), ("read", read_bytes_per_s)):
            (_THROTTLE / f"blkio.throttle.{name}_bps_device").write_text(f"{self.number} {rate}\n")

    def flip(self, content: bytes, at: int = 0) -> None:
        """Change one byte of the image behind the file system's back: byte `at` of where `content` lies."""
        with self.image.open("r+b") as file, mmap.mmap(file.fileno(), 0) as whole:
            place = whole.find(content)
            assert place >= 0, "not in the image: was it flushed?"
            assert whole.find(content, place + 1) < 0, "in the image more than once"
            whole[place + at] ^= 0xFF

    @contextlib.contextmanager
    def after_a_power_cut(self) -> Iterator[Volume]:
        """Mount, elsewhere, a copy of what has reached the device so far: what a power cut now leaves."""
        with _standing(self.kind) as left:
            shutil.copyfile(self.image, left.image)
            left._begin(new=False)
            yield left

    # Beginning and end

    def _make(self, size_mb: int) -> None:
        with self.image.open("wb") as file:
            file.truncate(size_mb << 20)
        self._begin(new=True)

    def _begin(self, *, new: bool) -> None:
        """Mount what is in the image, after a file system was made in it if it is `new`."""
        self._attach()
        if new:
            _run(*_MAKE[self.kind], self.device or self.image)
        self.mount_again()

    def _attach(self) -> None:
        if self.kind != "fat32":
            self.device = _run("losetup", "--find", "--show", self.image)

    def _take_down(self) -> None:
        """Undo everything, however far it came."""
        if self.device is not None and (_THROTTLE / "blkio.throttle.write_bps_device").exists():
            self._limit(0, 0)
        if self.mounted:
            try:
                self.unmount()
            except RuntimeError:
                self.pull()  # a test that failed may have left files open
        if self.device is not None:
            _run("losetup", "-d", self.device)


def _wait_for_end(process: int | None) -> None:
    if process is None:
        return
    waiting = select.poll()
    waiting.register(process, select.POLLIN)
    if not waiting.poll(_SERVER_ENDS_WITHIN_MS):
        raise RuntimeError("the driver did not end after it was unmounted")


@contextlib.contextmanager
def volume(kind: str, size_mb: int = 64) -> Iterator[Volume]:
    """Make and mount a volume of a kind of `KINDS`, or `CLONING`; take it down at the end, whatever happened.

    Any number may be there at once, from any number of test runs. FAT32 needs 33 MB at least.
    """
    need(kind)
    with _standing(kind) as made:
        made._make(size_mb)
        yield made


@contextlib.contextmanager
def volume_in(kind: str, image: Path, path: Path, *, new: bool) -> Iterator[Volume]:
    """Mount at a place what is in an image, a file system of a kind; a `new` one is made there first.

    Raises RuntimeError where its driver does not mount it.
    """
    need(kind)
    stands = Volume(kind, path, image)
    try:
        stands._begin(new=new)
        yield stands
    finally:
        stands._take_down()


@contextlib.contextmanager
def _standing(kind: str) -> Iterator[Volume]:
    # Not below pytest's own folder, which it empties by and by: nothing may walk into a mount.
    folder = Path(tempfile.mkdtemp(prefix="nightferry-volume-")).resolve()
    stands = Volume(kind, folder / "mounted", folder / "image")
    stands.path.mkdir()
    try:
        yield stands
    finally:
        try:
            stands._take_down()
        finally:
            if not stands.path.is_mount():  # else it is left as it is, rather than emptied
                shutil.rmtree(folder)
