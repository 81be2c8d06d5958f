"""The logs in the archive's bags, read by the person's descriptions into the index."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from manifests.bags.containment import open_ordinary, real_file
from manifests.findings import Finding, FindingKind
from manifests.index.faults import IndexFault
from manifests.index.logs import LogFile, LogKeeper, descriptions_read, drop_logs, log_files
from manifests.index.opening import Index, open_index
from manifests.index.schema import INDEX_NAME
from manifests.readings.taking import LogAccount
from transfer.archive.held import OpenArchive
from transfer.archive.layout import owner_of_night
from transfer.config import Config
from transfer.config.described import Described, LogDescriptions
from transfer.config.longitude import longitude_of
from transfer.errors import ConfigurationError
from transfer.words import counted


@dataclass(frozen=True, slots=True)
class LogsRead:
    """What reading logs came to: how many files were read, how many were read before, what they gave.

    `unmatched` lines or records did not fit their description, `clock_jumps` counts how often a clock went
    back. `findings` name the logs that gave nothing, or not all.
    """

    files: int = 0
    read_before: int = 0
    readings: int = 0
    events: int = 0
    unmatched: int = 0
    clock_jumps: int = 0
    findings: tuple[Finding, ...] = ()

    @property
    def message(self) -> str:
        """Return what was read in one line."""
        read = f"{counted(self.files, 'log')} read: {counted(self.readings, 'reading')}"
        before = f"; {self.read_before:,} read before" if self.read_before else ""
        not_read = f"; {counted(self.unmatched, 'line')} not matched" if self.unmatched else ""
        jumps = f"; a clock went back {counted(self.clock_jumps, 'time')}" if self.clock_jumps else ""
        return f"{read}, {counted(self.events, 'event')}{not_read}{jumps}{before}."

    def as_json(self) -> dict[str, int]:
        """Return the counts as `--json` prints them."""
        return {
            "files": self.files,
            "read_before": self.read_before,
            "readings": self.readings,
            "events": self.events,
            "unmatched": self.unmatched,
            "clock_jumps": self.clock_jumps,
        }


def _go_on() -> bool:
    return True


class _Stopped(Exception):
    """The run is to end while a log is read."""


class _UntilStopped(io.BufferedReader):
    """A log that is read for as long as the run may go on."""

    def __init__(self, raw: io.FileIO, go_on: Callable[[], bool]) -> None:
        super().__init__(raw, 1 << 18)
        self._go_on = go_on

    def read(self, size: int | None = -1, /) -> bytes:
        if not self._go_on():
            raise _Stopped
        return super().read(size)


def read_logs(
    root: Path,
    descriptions: LogDescriptions,
    longitude_deg: float,
    *,
    bags: Collection[str] | None = None,
    on_network: bool = False,
    go_on: Callable[[], bool] = _go_on,
) -> LogsRead:
    """Read the logs that no run has read yet by the present descriptions; what others gave is forgotten.

    `bags` limits it to some of the archive's bags. Nothing but the index is written. A log that cannot be
    read stops no other; one during which `go_on` says no is left for the next run. Raises IndexFault where
    the index cannot be used.
    """
    with open_index(root / INDEX_NAME, write=True, on_network=on_network) as index:
        reading = _Reading(index, root, longitude_deg, go_on)
        files = log_files(index, root, bags)
        known = descriptions_read(index)
        for file in files:
            if not go_on():
                break
            wanted = descriptions.of(file.source, file.original)
            reading.look_at(file, wanted, known.get(file.file_id, set()))
        return reading.done()


def logs_behind(index: Index, root: Path, config: Config, night: date) -> int:
    """Return how many logs of a night's bag the present descriptions have not read. Raises IndexFault.

    None counts where a description cannot be meant as it is written: reading will say so.
    """
    try:
        descriptions = LogDescriptions(config)
    except ConfigurationError:
        return 0
    if not len(descriptions):
        return 0
    known = descriptions_read(index)
    return sum(
        {one.description.digest() for one in descriptions.of(file.source, file.original)}
        != known.get(file.file_id, set())
        for file in log_files(index, root, [owner_of_night(night).folder])
    )


class _Reading:
    def __init__(self, index: Index, root: Path, longitude_deg: float, go_on: Callable[[], bool]) -> None:
        self._index = index
        self._go_on = go_on
        self._root = root
        self._longitude_deg = longitude_deg
        self._counts: Counter[str] = Counter()
        self._findings: list[Finding] = []

    def done(self) -> LogsRead:
        return LogsRead(**self._counts, findings=tuple(self._findings))

    def look_at(self, file: LogFile, wanted: Collection[Described], known: set[str]) -> None:
        if {one.description.digest() for one in wanted} == known:
            self._counts["read_before"] += bool(wanted)
            return
        with self._index.writing() as connection:
            drop_logs(connection, [file.file_id])
        for one in wanted:
            self._read(file, one)

    def _read(self, file: LogFile, one: Described) -> None:
        try:
            path = real_file(self._root / file.bag, file.path)
            with _UntilStopped(open_ordinary(path), self._go_on) as opened:
                keeper = LogKeeper(self._index, file.file_id, file.source, one.reader)
                name = file.original.rpartition("/")[2]
                account = one.reader.read(opened, name, file.night, self._longitude_deg, keeper)
        except _Stopped:
            return
        except OSError as error:
            self._find(file, error.strerror or str(error))
            return
        if account.lines and not account.problems and _gave_nothing(one, account):
            account.problems.append(_why_nothing(account))
        keeper.finish(account)
        self._counts += Counter(
            files=1,
            readings=account.readings,
            events=account.events,
            unmatched=account.unmatched,
            clock_jumps=account.jumps,
        )
        for problem in account.problems:
            self._find(file, problem)

    def _find(self, file: LogFile, detail: str) -> None:
        self._findings.append(Finding(FindingKind.LOG_NOT_READ, detail, f"{file.bag}/{file.path}"))


def _gave_nothing(one: Described, account: LogAccount) -> bool:
    """Return whether a description found no time, or none of its readings; a quiet night has no event."""
    return not account.taken or (bool(one.description.readings) and not account.readings)


def _why_nothing(account: LogAccount) -> str:
    missed = account.first_unmatched
    if missed is None:
        return "its description found no reading in it"
    return f"its description found no reading in it, and nothing in line {missed.line}: {missed.why}"


def read_filed_logs(
    config: Config, archive: OpenArchive, bags: Collection[str], now: datetime, go_on: Callable[[], bool]
) -> tuple[Finding, ...]:
    """Read the logs of bags that were just filed into; return what deserves a look. Never raises.

    What is filed stays filed: a description that cannot be meant, or an index that cannot be used, is said.
    """
    if not any(source.logs for source in config.sources):
        return ()
    longitude_deg, _ = longitude_of(config, now)
    try:
        found = LogDescriptions(config)
        on_network = archive.on_network
        return read_logs(
            archive.root, found, longitude_deg, bags=bags, on_network=on_network, go_on=go_on
        ).findings
    except ConfigurationError as error:
        return (Finding(FindingKind.LOG_NOT_READ, error.happened, str(config.file)),)
    except IndexFault as fault:
        return (Finding(FindingKind.LOG_NOT_READ, fault.happened, str(fault.path)),)
