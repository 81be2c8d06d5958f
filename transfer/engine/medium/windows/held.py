"""Folders held open on Windows, so that none of them can be replaced while something is done below it."""

from __future__ import annotations

import errno
import threading
from collections import OrderedDict

from transfer.engine.medium.windows.calls import HandleFacts, Identity, WindowsCalls, is_elsewhere
from transfer.engine.medium.windows.openings import INNER_FOLDER, PINNED_FOLDER, Opening
from transfer.engine.medium.windows.paths import below

_HELD_FOLDERS = 64


class HeldFolder:
    """An open folder, closed when the last thread at work in it lets go of it.

    For as long as it is open Windows renames or removes neither it nor a folder above it.
    """

    __slots__ = ("_calls", "_handle", "facts", "path")

    def __init__(self, calls: WindowsCalls, path: str, how: Opening) -> None:
        self._calls = calls
        self.path = path
        self._handle = calls.open(path, how)
        self.facts: HandleFacts = calls.facts(self._handle)
        if not self.facts.is_folder:
            raise NotADirectoryError(errno.ENOTDIR, "not a folder", path)

    @property
    def identity(self) -> Identity:
        """What the folder is known by."""
        return self.facts.identity

    @property
    def handle(self) -> int:
        """The folder's handle."""
        return self._handle

    def __del__(self) -> None:
        handle: int | None = getattr(self, "_handle", None)  # none where the folder could not be opened
        if handle is not None:
            self._calls.close(handle)


class HeldFolders:
    """The pinned root and the folders below it that were walked last."""

    def __init__(self, calls: WindowsCalls, path: str) -> None:
        self._calls = calls
        self._root: HeldFolder | None = HeldFolder(calls, path, PINNED_FOLDER)
        self.identity = self._root.identity
        own_name = _own_name(calls, self._root)
        self.has_own_name = bool(own_name)
        self.path = self._root.path = own_name or path
        self._folders: OrderedDict[str, HeldFolder] = OrderedDict()
        self._lock = threading.Lock()

    def holds(self, path: str) -> bool:
        """Return whether a folder below is held, and therefore there."""
        return path in self._folders

    def hold(self, path: str) -> HeldFolder:
        """Open and hold a folder below, walked to part by part; none may be a link, or on another volume."""
        if self._root is None:
            raise OSError(errno.EBADF, "the folder was let go of", path)
        if not path:
            return self._root
        with self._lock:
            if path in self._folders:
                self._folders.move_to_end(path)
                return self._folders[path]
        held = self._root
        parts = path.split("/")
        for count in range(1, len(parts) + 1):
            held = self._step("/".join(parts[:count]))
        self._remember(path, held)
        return held

    def let_go(self, path: str) -> None:
        """Close a folder below and all below it, so that it can get another name."""
        with self._lock:
            for held in [each for each in self._folders if f"{each}/".startswith(f"{path}/")]:
                del self._folders[held]

    def _step(self, path: str) -> HeldFolder:
        held = HeldFolder(self._calls, below(self.path, path), INNER_FOLDER)
        if held.facts.may_be_a_link and is_elsewhere(self._calls.stat(held.path)):
            raise NotADirectoryError(errno.ENOTDIR, "a link lies in the way", path)
        if held.identity.volume_serial != self.identity.volume_serial:
            raise OSError(errno.EXDEV, "another volume is mounted here", path)
        return held

    def _remember(self, path: str, held: HeldFolder) -> None:
        with self._lock:
            self._folders[path] = held
            if len(self._folders) > _HELD_FOLDERS:
                self._folders.popitem(last=False)

    def close(self) -> None:
        """Close everything."""
        self._folders.clear()
        self._root = None


def _own_name(calls: WindowsCalls, folder: HeldFolder) -> str:
    """Return a folder by its volume's own name, which no other gets; empty where it has none.

    Shares and some drivers have none ("Naming a volume", Microsoft).
    """
    try:
        return calls.final_path(folder.handle)
    except OSError:
        return ""
