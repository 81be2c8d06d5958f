"""What a run of `clear` found and did: frozen, with its exit code, its words and its JSON."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from manifests.findings import Finding, FindingKind
from transfer.archive.freeing import DriveNight
from transfer.engine.reread import Stays
from transfer.errors import ExitCode, NightferryError
from transfer.jobs.clear.plan import ClearNight, MayGo
from transfer.words import counted, size_told, staying

Night = TypeVar("Night")
Item = TypeVar("Item")


@dataclass(frozen=True, slots=True)
class Outcome(ABC, Generic[Night, Item]):
    """How a run ended. `removed` is None where nothing was to be removed: the list alone was asked for.

    `nights` are as they were planned; `removed` went, `kept` were to go and stayed, `cut_short` says why the
    run ended early, `failure` is what ended it.
    """

    nights: tuple[Night, ...]
    findings: tuple[Finding, ...] = ()
    removed: tuple[Item, ...] | None = None
    kept: tuple[Stays, ...] = ()
    cut_short: str = ""
    failure: NightferryError | None = None

    @property
    def is_list(self) -> bool:
        """Whether nothing was to be removed."""
        return self.removed is None

    @property
    @abstractmethod
    def may_go(self) -> int:
        """How many of what is removed one by one may go, before any was removed."""

    @property
    @abstractmethod
    def deleted(self) -> int:
        """How many files were removed."""

    @property
    @abstractmethod
    def deleted_bytes(self) -> int:
        """How much room that freed."""

    @property
    def has_unreached(self) -> bool:
        """Whether something could not be looked at."""
        return False

    @property
    def exit_code(self) -> ExitCode:
        """0 where all went that may go, or only the list was asked for; 1 where something is in doubt."""
        if self.failure is not None:
            return self.failure.exit_code
        if self.cut_short:
            return ExitCode.STOPPED_EARLY
        in_doubt = self.kept or self.findings or self.has_unreached
        return ExitCode.SOMETHING_UNPROVEN if in_doubt else ExitCode.PROVEN

    @property
    @abstractmethod
    def message(self) -> str:
        """The outcome in one line."""

    def _deleted_told(self, deleted: str, stay: int, noun: str) -> str:
        """Return a line that says what was deleted and what stays, and why the run ended."""
        told = f"{deleted}; {_stays_told(stay + len(self.kept), noun, after_all=len(self.kept))}."
        if self.failure is not None:
            return f"{told} {self.failure}"
        return f"Ended early ({self.cut_short}). {told}" if self.cut_short else told

    def as_json(self) -> dict[str, Any]:
        """Return what `--json` prints."""
        return {
            "command": "clear",
            "exit": int(self.exit_code),
            "message": self.message,
            "nights": [self._night(night) for night in self.nights],
            "deleted": self.deleted,
            "deleted_bytes": self.deleted_bytes,
            "findings": [each.as_json() for each in (*not_deleted(self.kept), *self.findings)],
        }

    @abstractmethod
    def _night(self, night: Night) -> dict[str, Any]:
        """Return a night as `--json` prints it."""


@dataclass(frozen=True, slots=True)
class ClearOutcome(Outcome[ClearNight, MayGo]):
    """How a run that clears the sources ended: files go one by one."""

    @property
    def may_go(self) -> int:
        """How many files may go, before any was removed."""
        return sum(len(night.may_go) for night in self.nights)

    @property
    def may_go_bytes(self) -> int:
        """How much room that frees."""
        return sum(night.may_go_bytes for night in self.nights)

    @property
    def deleted(self) -> int:
        """How many files were removed."""
        return len(self.removed or ())

    @property
    def deleted_bytes(self) -> int:
        """How much room that freed."""
        return sum(each.file.size_bytes for each in self.removed or ())

    def removed_of(self, night: ClearNight) -> list[MayGo]:
        """Return what was removed of a night."""
        own = {each.shown for each in night.may_go}
        return [each for each in self.removed or () if each.shown in own]

    def kept_of(self, night: ClearNight) -> list[Stays]:
        """Return what was to go of a night, and stayed after all."""
        own = {each.shown for each in night.may_go}
        return [each for each in self.kept if each.path in own]

    @property
    def has_unreached(self) -> bool:
        """Whether a file of a source could not be looked at."""
        return any(each.in_doubt for night in self.nights for each in night.stays)

    @property
    def message(self) -> str:
        """The outcome in one line."""
        stay = sum(len(night.stays) for night in self.nights)
        if self.is_list:
            return f"{_files(self.may_go, self.may_go_bytes)} may go; {staying(stay, 'file')}."
        return self._deleted_told(f"Deleted {_files(self.deleted, self.deleted_bytes)}", stay, "file")

    def _night(self, night: ClearNight) -> dict[str, Any]:
        return {
            "night": night.night.isoformat(),
            "files": night.files,
            "bytes": night.size_bytes,
            "may_go": len(night.may_go),
            "may_go_bytes": night.may_go_bytes,
            "stays": _told_to_stay([*night.stays, *self.kept_of(night)]),
        }


@dataclass(frozen=True, slots=True)
class ClearDriveOutcome(Outcome[DriveNight, DriveNight]):
    """How a run that clears drives ended: a night goes whole or not at all."""

    @property
    def going(self) -> tuple[DriveNight, ...]:
        """The nights that may go, before any was removed."""
        return tuple(night for night in self.nights if night.may_go)

    @property
    def may_go(self) -> int:
        """How many nights that are."""
        return len(self.going)

    @property
    def deleted(self) -> int:
        """How many files were removed."""
        return sum(len(night.files) for night in self.removed or ())

    @property
    def deleted_bytes(self) -> int:
        """How much room that freed."""
        return sum(night.size_bytes for night in self.removed or ())

    def kept_of(self, night: DriveNight) -> list[Stays]:
        """Return why a night that was to go stayed after all."""
        return [each for each in self.kept if each.path == night.shown]

    def state_of(self, night: DriveNight) -> str:
        """Return in a word or two what became of a night, or would."""
        if self.removed is not None and night in self.removed:
            return "deleted"
        return "may go" if night.may_go and self.is_list else "stays"

    @property
    def message(self) -> str:
        """The outcome in one line."""
        stay = len(self.nights) - self.may_go
        if self.removed is None:
            return f"{told(self.going)} may go from drives; {staying(stay, 'night')}."
        return self._deleted_told(f"Deleted {told(self.removed)} from drives", stay, "night")

    def _night(self, night: DriveNight) -> dict[str, Any]:
        return {
            "night": night.night.isoformat(),
            "drive": night.drive.name,
            "folder": night.folder,
            "files": night.file_count,
            "bytes": night.size_bytes,
            "may_go": night.file_count if night.may_go else 0,
            "may_go_bytes": night.size_bytes if night.may_go else 0,
            "stays": _told_to_stay([*night.stays, *self.kept_of(night)]),
        }


def not_deleted(kept: Iterable[Stays]) -> list[Finding]:
    """Return what was to go, and stayed after all, as findings."""
    return [Finding(FindingKind.NOT_DELETED, each.why, each.path) for each in kept]


def _stays_told(count: int, noun: str, *, after_all: int) -> str:
    """Return in words how many files or nights stay, and of how many that was not planned."""
    told = staying(count, noun)
    return f"{told}, {after_all:,} of them although they might go" if after_all else told


def _files(count: int, size_bytes: int) -> str:
    return f"{counted(count, 'file')} ({size_told(size_bytes)})"


def told(nights: tuple[DriveNight, ...]) -> str:
    """Return nights in words, with their files and their size."""
    files = counted(sum(night.file_count for night in nights), "file")
    size = size_told(sum(night.size_bytes for night in nights))
    return f"{counted(len(nights), 'night')} ({files}, {size})"


def _told_to_stay(stays: list[Stays]) -> list[dict[str, str]]:
    return [{"path": each.path, "why": each.why} for each in stays]
