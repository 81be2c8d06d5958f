"""A stand-in for Windows: it keeps every call and answers it from folders of this system.

Drives have their letters, volumes their own names, and any call can be told to fail as Windows documents
that it does.
"""

import ctypes
import os
import stat
from dataclasses import dataclass
from types import SimpleNamespace

from transfer.engine.medium.windows import openings
from transfer.engine.medium.windows.calls import HandleFacts, Identity, SizeAndTimes
from transfer.engine.medium.windows.errors import os_error
from transfer.engine.medium.windows.paths import extended

ROOT = "\\\\?\\E:\\nights"
OWN_NAME = "\\\\?\\Volume{6c1d2f0e-0000-0000-0000-100000000000}\\nights"
STICK = 0x1A2B3C4D
SECTOR = 4096
_EPOCH_1601 = 116_444_736_000_000_000  # 1970, in steps of 100 ns since 1601


@dataclass
class Rule:
    """Fails calls of a name, `times` times, from the `first` on that has `part` in its first argument.

    For calls that are given a handle, `part` is held against the path that it was opened by.
    """

    call: str
    code: int
    part: str = ""
    first: int = 1
    times: int = 1_000_000
    met: int = 0
    made: int = 0

    def code_for(self, call, place):
        if call != self.call or self.part not in place:
            return None
        self.met += 1
        if self.met < self.first or self.made >= self.times:
            return None
        self.made += 1
        return self.code


def _rights(how):
    """Return what an opening does, in terms of what another must share."""
    asked = (
        (openings.GENERIC_READ | openings.FILE_LIST_DIRECTORY, openings.FILE_SHARE_READ),
        (openings.GENERIC_WRITE, openings.FILE_SHARE_WRITE),
        (openings.DELETE, openings.FILE_SHARE_DELETE),
    )
    return sum(share for access, share in asked if how.access & access)


def openings_go_together(one, other):
    """Return whether Windows lets both be open at once: each shares what the other does (CreateFileW)."""
    return not (_rights(one) & ~other.share or _rights(other) & ~one.share)


def _is_open(descriptor, facts):
    try:
        return os.path.samestat(os.fstat(descriptor), facts)
    except OSError:
        return False


class System:
    """Stands for Windows. `roots` says which folder of this system a path of Windows begins with.

    A file that is open is opened again only as far as both openings share it. `failures` holds, for a call's
    name, the codes of its next failures; None lets one pass. `rules` fail calls by what they are asked: see
    `Rule`.
    """

    def __init__(self, folder):
        self.called = []
        self.failures = {}
        self.rules = []
        self.roots = {OWN_NAME: folder, ROOT: folder}
        self.serial = STICK
        self.types = {"C:\\": openings.DRIVE_FIXED, "E:\\": openings.DRIVE_REMOVABLE}
        self.volumes = {"C:\\": (0xC0FFEE, "NTFS"), "E:\\": (STICK, "exFAT")}
        self.sectors = SECTOR
        self.paused = []
        self.locked = set()
        self._unbuffered = set()
        self._opened = {}
        self._shared = {}  # how each file that may still be open was opened, with its identity
        self._folders = {}
        self._looked_at = {}  # folders and links are opened to be looked at: not every system opens them
        self._handles = 1_000_000

    def stands_for_itself(self, folder):
        """Let paths below a folder of this system stand for themselves, on Windows in long form, too."""
        self.roots |= dict.fromkeys((str(folder), extended(str(folder))), folder)

    def _called(self, name, *arguments):
        self.called.append((name, *arguments))
        waiting = self.failures.get(name)
        code = waiting.pop(0) if waiting else None
        for rule in self.rules:
            code = code or rule.code_for(name, self._opened.get(arguments[0], str(arguments[0])))
        if code is not None:
            raise os_error(code, "", str(arguments[0]))

    def names_called(self):
        return [call[0] for call in self.called]

    def count(self, name):
        return self.names_called().count(name)

    def _here(self, path):
        for prefix, folder in self.roots.items():
            if path == prefix or path.startswith((f"{prefix}\\", f"{prefix}/")):
                return folder / path[len(prefix) :].replace("\\", "/").strip("/")
        raise os_error(3, "", path)  # ERROR_PATH_NOT_FOUND: what Windows says of a letter without a drive

    def open(self, path, how):
        self._called("open", path, how)
        if path.startswith("\\\\.\\"):
            return os.open(os.devnull, os.O_RDWR)
        return self._open(self._here(path), path, how)

    def open_in(self, folder, path, how):
        """Open what has the path's last name in an open folder, wherever the path leads by now."""
        self._called("open_in", path, how)
        if not self.roots:
            raise os_error(1167, "", path)  # ERROR_DEVICE_NOT_CONNECTED: what an open handle says then
        return self._open(self._looked_at[folder] / path.rpartition("\\")[2], path, how)

    def _open(self, here, path, how):
        link = how.flags & openings.FILE_FLAG_OPEN_REPARSE_POINT and here.is_symlink()
        if link or (here.is_dir() and how.creation != openings.CREATE_NEW):
            self._handles += 1
            opened = self._handles
            self._looked_at[opened] = here
            if not link:
                self._folders[opened] = path
        else:
            self._require_shared(here, path, how)
            opened = self._open_file(here, path, how)
            self._shared[opened] = os.fstat(opened), how
        if how.flags & openings.FILE_FLAG_NO_BUFFERING:
            self._unbuffered.add(opened)
        self._opened[opened] = path
        return opened

    def _require_shared(self, here, path, how):
        if not here.exists():
            return
        for opened, (facts, other) in list(self._shared.items()):  # lanes open files as well
            is_it = os.path.samestat(facts, here.stat()) and _is_open(opened, facts)
            if is_it and not openings_go_together(how, other):
                raise os_error(32, "", path)  # ERROR_SHARING_VIOLATION

    @staticmethod
    def _open_file(here, path, how):
        writes = os.O_WRONLY if how.access & openings.GENERIC_WRITE else os.O_RDONLY
        new = os.O_CREAT | os.O_EXCL if how.creation == openings.CREATE_NEW else 0
        try:
            return os.open(here, writes | new | getattr(os, "O_BINARY", 0))
        except FileNotFoundError:
            raise os_error(2 if here.parent.is_dir() else 3, "", path) from None

    def reopen(self, handle, how):
        self._called("reopen", handle, how)
        return os.dup(handle)

    def close(self, handle):
        self._called("close", handle)
        self._folders.pop(handle, None)
        self._unbuffered.discard(handle)
        if self._looked_at.pop(handle, None) is None:
            os.close(handle)

    def facts(self, handle):
        self._called("facts", handle)
        place = self._looked_at.get(handle)
        found = os.fstat(handle) if place is None else place.lstat()
        attributes = openings.FILE_ATTRIBUTE_DIRECTORY if stat.S_ISDIR(found.st_mode) else 0
        if stat.S_ISLNK(found.st_mode):
            attributes = openings.FILE_ATTRIBUTE_DIRECTORY | openings.FILE_ATTRIBUTE_REPARSE_POINT
        return HandleFacts(Identity(self.serial, found.st_ino), attributes)

    def size_and_times(self, handle):
        self._called("size_and_times", handle)
        place = self._looked_at.get(handle)
        found = os.fstat(handle) if place is None else place.lstat()
        attributes = openings.FILE_ATTRIBUTE_REPARSE_POINT if stat.S_ISLNK(found.st_mode) else 0
        modified, created = (ns // 100 + _EPOCH_1601 for ns in (found.st_mtime_ns, found.st_ctime_ns))
        return SizeAndTimes(found.st_size, modified, created, attributes)

    def read(self, handle, buffer):
        self._called("read", handle)
        if handle in self._unbuffered:
            address = ctypes.addressof(ctypes.c_char.from_buffer(buffer))
            place = (os.lseek(handle, 0, os.SEEK_CUR), len(buffer), address)
            assert not any(number % SECTOR for number in place), "ERROR_INVALID_PARAMETER"
        taken = os.read(handle, len(buffer))
        buffer[: len(taken)] = taken
        return len(taken)

    def flush(self, handle):
        self._called("flush", handle)

    def set_modified(self, handle, filetime):
        self._called("set_modified", handle, filetime)

    def lock(self, handle, offset):
        self._called("lock", handle, offset)
        place = os.fstat(handle).st_ino, offset
        if place in self.locked:
            raise os_error(33, "")
        self.locked.add(place)

    def move(self, old, new, *, replacing=True):
        self._called("move", old, new)
        if not replacing and os.path.lexists(self._here(new)):
            raise os_error(183, "", new)  # ERROR_ALREADY_EXISTS
        if any(f"{path}\\".startswith(f"{old}\\") for path in self._folders.values()):
            raise os_error(5, "", new)  # ERROR_ACCESS_DENIED: a folder that is open, or has one open below
        self._here(old).replace(self._here(new))

    def hard_link(self, file, new):
        self._called("hard_link", file, new)
        self._here(new).hardlink_to(self._here(file))

    def symbolic_link(self, file, new):
        self._called("symbolic_link", file, new)
        self._here(new).symlink_to(self._here(file))

    def remove(self, path):
        self._called("remove", path)
        self._here(path).unlink()

    def remove_opened(self, handle):
        self._called("remove_opened", handle)
        self._here(self._opened[handle]).unlink()

    def remove_folder(self, path):
        self._called("remove_folder", path)
        self._here(path).rmdir()

    def make_folder(self, path):
        self._called("make_folder", path)
        self._here(path).mkdir()

    def stat(self, path):
        self._called("stat", path)
        found = self._here(path).lstat()
        if stat.S_ISLNK(found.st_mode):
            return SimpleNamespace(st_file_attributes=0x410, st_reparse_tag=0xA000000C)
        return found

    def names(self, path):
        self._called("names", path)
        with os.scandir(self._here(path)) as found:
            return [(each.name, each.is_dir(follow_symlinks=False)) for each in found]

    def sizes(self, path):
        self._called("sizes", path)
        with os.scandir(self._here(path)) as found:
            return {each.name: each.stat().st_size for each in found if each.is_file()}

    def final_path(self, handle):
        self._called("final_path", handle)
        return OWN_NAME

    def volume_root(self, path):
        self._called("volume_root", path)
        return path[:3] if path[1:2] == ":" else "E:\\"

    def volume_facts(self, root):
        self._called("volume_facts", root)
        return self.volumes[root]

    def control(self, handle, code, given=b""):
        self._called("control", handle, code, given)

    def drives(self):
        return sum(1 << ord(root[0]) - ord("A") for root in self.types)

    def drive_type(self, root):
        return self.types[root]

    def free_bytes(self, root):
        self._called("free_bytes", root)
        return 5 << 30

    def sector_bytes(self, root):
        self._called("sector_bytes", root)
        return self.sectors

    def descriptor(self, handle, *, writable):
        self._called("descriptor", handle, writable)
        return handle

    def handle(self, descriptor):
        return descriptor

    def pause(self, seconds):
        self.paused.append(seconds)
