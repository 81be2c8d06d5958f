"""What a run of `clear` found and did: frozen, with its exit code, its words and its JSON."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from manifests.findings import Finding, FindingKind
from transfer.engine.reread import Stays
from transfer.errors import ExitCode, NightferryError
from transfer.jobs.clear.plan import ClearNight, MayGo
from transfer.words import counted, size_told, staying


@dataclass(frozen=True, slots=True)
class ClearOutcome:
    """How a run ended. `removed` is None where nothing was to be removed: the list alone was asked for.

    `nights` are as they were planned; `removed` went, `kept` were to go and stayed, `cut_short` says why the
    run ended early, `failure` is what ended it.
    """

    nights: tuple[ClearNight, ...]
    findings: tuple[Finding, ...] = ()
    removed: tuple[MayGo, ...] | None = None
    kept: tuple[Stays, ...] = ()
    cut_short: str = ""
    failure: NightferryError | None = None

    @property
    def is_list(self) -> bool:
        """Whether nothing was to be removed."""
        return self.removed is None

    @property
    def deleted(self) -> int | None:
        """How many files were removed; None where only the list was asked for."""
        return None if self.removed is None else len(self.removed)

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
    def may_go(self) -> int:
        """How many files may go, before any was removed."""
        return sum(len(night.may_go) for night in self.nights)

    @property
    def may_go_bytes(self) -> int:
        """How much room that frees."""
        return sum(night.may_go_bytes for night in self.nights)

    @property
    def exit_code(self) -> ExitCode:
        """0 where all went that may go, or only the list was asked for; 1 where something is in doubt."""
        if self.failure is not None:
            return self.failure.exit_code
        if self.cut_short:
            return ExitCode.STOPPED_EARLY
        in_doubt = any(each.in_doubt for night in self.nights for each in night.stays)
        return ExitCode.SOMETHING_UNPROVEN if self.kept or self.findings or in_doubt else ExitCode.PROVEN

    @property
    def message(self) -> str:
        """The outcome in one line."""
        stay = sum(len(night.stays) for night in self.nights)
        if self.deleted is None:
            return f"{_files(self.may_go, self.may_go_bytes)} may go; {staying(stay, 'file')}."
        stayed = stays_told(stay + len(self.kept), "file", after_all=len(self.kept))
        told = f"Deleted {_files(self.deleted, self.deleted_bytes)}; {stayed}."
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
            "deleted": self.deleted or 0,
            "deleted_bytes": self.deleted_bytes,
            "findings": [each.as_json() for each in (*not_deleted(self.kept), *self.findings)],
        }

    def _night(self, night: ClearNight) -> dict[str, Any]:
        stays = [*night.stays, *self.kept_of(night)]
        return {
            "night": night.night.isoformat(),
            "files": night.files,
            "bytes": night.size_bytes,
            "may_go": len(night.may_go),
            "may_go_bytes": night.may_go_bytes,
            "stays": [{"path": each.path, "why": each.why} for each in stays],
        }


def not_deleted(kept: Iterable[Stays]) -> list[Finding]:
    """Return what was to go, and stayed after all, as findings."""
    return [Finding(FindingKind.NOT_DELETED, each.why, each.path) for each in kept]


def stays_told(count: int, noun: str, *, after_all: int) -> str:
    """Return in words how many files or nights stay, and of how many that was not planned."""
    told = staying(count, noun)
    return f"{told}, {after_all:,} of them although they might go" if after_all else told


def _files(count: int, size_bytes: int) -> str:
    return f"{counted(count, 'file')} ({size_told(size_bytes)})"
