"""What was to go, read once more before it goes: itself, and the copies here that it is let go for."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import NamedTuple

from transfer.engine.ledger import Place
from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.base import BLOCK_BYTES
from transfer.events import BytesDone, Phase
from transfer.stop import Stop


class Copy(NamedTuple):
    """A copy on a drive or in an archive that is here: the path below its folder."""

    place: Place
    folder: PinnedFolder
    path: str


@dataclass(frozen=True, slots=True)
class Stays:
    """A file or night that stays: its path for people, and why; `in_doubt` where an error is the reason."""

    path: str
    why: str
    in_doubt: bool = False


class Kept(Exception):
    """What was to go stays after all; the text says why."""


class CopyDamaged(Kept):
    """A copy that what was to go relies on is not what was proven there any more."""

    def __init__(self, copy: Copy) -> None:
        step = "nightferry check says what of it holds"
        super().__init__(f"its copy on {copy.place.told} is not what was proven there any more; {step}")
        self.copy = copy


class ToldToStop(Exception):
    """The run has to end before a file was read."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Reads copies that are here before what relies on them goes: one can have changed without a trace.

    `what` is what a progress line calls the work.
    """

    stop: Stop
    listen: Callable[[BytesDone], None]
    what: str

    def sha256(self, descriptor: int) -> str:
        """Return the SHA-256 of an open file. Raises OSError and ToldToStop."""
        return self._digests(descriptor, 0)[1]

    def beginning_and_whole(self, copy: Copy, beginning_bytes: int) -> tuple[str, str]:
        """Return the SHA-256 of a copy's first bytes, and of all of it. Raises OSError and ToldToStop."""
        descriptor = copy.folder.open_file(copy.path)
        try:
            return self._digests(descriptor, beginning_bytes)
        finally:
            close_read(descriptor)

    def require(self, copies: Iterable[Copy], sha256: str) -> None:
        """Check that copies still have the content that was proven there. Raises Kept and ToldToStop."""
        for copy in copies:
            try:
                _, whole = self.beginning_and_whole(copy, 0)
            except OSError as error:
                raise Kept(f"its copy on {copy.place.told} cannot be read ({error.strerror})") from error
            if whole != sha256:
                raise CopyDamaged(copy)

    def _digests(self, descriptor: int, beginning_bytes: int) -> tuple[str, str]:
        beginning, whole, left = hashlib.sha256(), hashlib.sha256(), beginning_bytes
        while block := os.read(descriptor, BLOCK_BYTES):
            if self.stop.why:
                raise ToldToStop
            whole.update(block)
            if left:
                beginning.update(block[:left])
                left -= min(left, len(block))
            self.listen(BytesDone(Phase.CLEARING, self.what, len(block)))
        return beginning.hexdigest(), whole.hexdigest()


def close_read(descriptor: int) -> None:
    """Close a file that was only read: an error then loses nothing, and must not hide what was removed."""
    with suppress(OSError):
        os.close(descriptor)
