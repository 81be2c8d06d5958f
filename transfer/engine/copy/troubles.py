"""What an error of the system means for one drive's side of a copy: for a file, a batch, or all the rest."""

from __future__ import annotations

import errno
from dataclasses import dataclass

from manifests.findings import Finding, FindingKind
from transfer.engine.medium import PinnedFolder, drive_has_left, drive_is_full
from transfer.engine.unforeseen import unforeseen
from transfer.errors import DoesNotFit, DriveFailed, NightferryError

_FAILURES_ENDURED = 3

# This drive cannot hold this file; the others are not concerned.
# (EINVAL is not among them: on Windows a device that left shows as that.)
_REFUSALS = frozenset({errno.EFBIG, errno.ENAMETOOLONG, errno.EILSEQ, errno.EOVERFLOW})


@dataclass(frozen=True, slots=True)
class Words:
    """What is said when writing ends before its time, each with what happened and what to do next."""

    full: tuple[str, str]
    left: tuple[str, str]
    failing: tuple[str, str]
    hanging: tuple[str, str]
    busy: tuple[str, str]


OF_A_DRIVE = Words(
    full=("The drive is full", "Make room, or send to another drive."),
    left=(
        "The drive left",
        "Plug it in again, then send again: what was proven is kept, the rest is carried.",
    ),
    failing=("Writing keeps failing", "Send to another drive, and don't trust this one."),
    hanging=(
        "The drive does not answer any more",
        "Pull it, plug it in again, then send again: what was proven is kept, the rest is carried.",
    ),
    # In a long flush nothing tells whether the drive is at work or hangs.
    busy=(
        "The drive had not taken yet all that was written to it",
        "Send again: what was proven is kept, the rest is carried. A drive that stays busy is pulled first.",
    ),
)


class Troubles:
    """Judges the errors that a lane meets, from any of its threads.

    `count` is how many batches have failed, `last` the last error in words, and `failure` what ends the
    lane before its time.
    """

    def __init__(self, folder: PinnedFolder, words: Words) -> None:
        self._folder, self._words = folder, words
        self.count = 0
        self.last = ""
        self.failure: NightferryError | None = None

    def judge(self, error: OSError, whole_batch: bool) -> None:
        """Record an error of one file, or of the `whole_batch`, which is then void."""
        self.last = error.strerror or str(error)
        if drive_is_full(error):
            happened, step = self._words.full
            self.failure = DoesNotFit(happened, self._folder.path, step)
        elif drive_has_left(error):
            self.failure = self._failed(error, self._words.left)
        elif whole_batch:
            self.count += 1
            if self.count > _FAILURES_ENDURED:
                self.failure = self._failed(error, self._words.failing)

    def _failed(self, error: OSError, words: tuple[str, str]) -> DriveFailed:
        happened, step = words
        return DriveFailed(f"{happened} ({error.strerror})", self._folder.path, step)

    def break_down(self, fault: Exception) -> None:
        """Record a fault in the program."""
        self.failure = self.failure or unforeseen(fault, self._folder.path)


def is_refusal(error: OSError) -> bool:
    """Return whether the drive refuses one file, and may well take the others."""
    return error.errno in _REFUSALS


def refusal(error: OSError) -> Finding:
    """Return the finding that says why the drive refuses a file."""
    if error.errno == errno.EFBIG:
        return Finding(FindingKind.TOO_LARGE, "the drive refused it while it was written")
    return Finding(FindingKind.NOT_PROVEN, f"the drive refuses it ({error.strerror})")
