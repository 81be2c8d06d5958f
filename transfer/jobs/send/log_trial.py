"""The descriptions of logs tried on tonight's files: what each gives, or the first line that does not fit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from manifests.readings.description import LogDescription
from manifests.readings.taking import LogAccount
from transfer.config import Config
from transfer.config.described import Described, LogDescriptions
from transfer.engine.sources import SourceFile
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, ExitCode
from transfer.jobs.send.ready import SendRequest, places_to_keep_out_of
from transfer.jobs.send.survey import Survey, chosen_nights, survey
from transfer.words import counted

# Enough to see whether a description fits; the newest are read.
FILES_READ = 20

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class FirstReading:
    """The first reading of a quantity in a file; `unit` is astropy's name."""

    quantity: str
    utc: datetime
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class TriedFile:
    """What a description made of one file; `problem` says why the system would not give it, or nothing."""

    path: str
    night: date
    account: LogAccount
    first_readings: tuple[FirstReading, ...]
    events: dict[str, int]
    problem: str = ""

    @property
    def problems(self) -> list[str]:
        """What is wrong with the file as a whole."""
        return [*([self.problem] if self.problem else []), *self.account.problems]

    @property
    def fits(self) -> bool:
        """Whether the file gave a reading or an event, and nothing is wrong with it as a whole."""
        return not self.problems and self.account.readings + self.account.events > 0

    def as_json(self) -> dict[str, Any]:
        """Return the file as `--json` prints it."""
        missed = self.account.first_unmatched
        return {
            "path": self.path,
            "night": self.night.isoformat(),
            "lines": self.account.lines,
            "readings": self.account.readings,
            "events": self.events,
            "unmatched": self.account.unmatched,
            "first_unmatched": None if missed is None else missed._asdict(),
            "clock_jumps": self.account.jumps,
            "problems": self.problems,
            "first_readings": [
                {"quantity": one.quantity, "utc": _utc(one.utc), "value": one.value, "unit": one.unit}
                for one in self.first_readings
            ],
        }


@dataclass(frozen=True, slots=True)
class TriedDescription:
    """One description, the files of the chosen nights that it is for, and those of them that were read."""

    source: str
    description: LogDescription
    matched: int
    files: tuple[TriedFile, ...]

    @property
    def fits(self) -> bool:
        """Whether there are files, and some of what was read gave something."""
        return any(file.fits for file in self.files)

    def as_json(self) -> dict[str, Any]:
        """Return the trial as `--json` prints it."""
        return {
            "source": self.source,
            "files_pattern": self.description.files,
            "form": self.description.form.value,
            "fits": self.fits,
            "matched": self.matched,
            "files": [file.as_json() for file in self.files],
        }


@dataclass(frozen=True, slots=True)
class LogTrial:
    """Every description tried on the files of the chosen nights."""

    nights: tuple[date, ...]
    tried: tuple[TriedDescription, ...]

    @property
    def exit_code(self) -> ExitCode:
        """1 where a description gave nothing, or a file has something wrong with it."""
        whole = all(one.fits and not any(file.problems for file in one.files) for one in self.tried)
        return ExitCode.PROVEN if whole else ExitCode.SOMETHING_UNPROVEN

    @property
    def message(self) -> str:
        """Say in one line how many descriptions fit."""
        fit = sum(one.fits for one in self.tried)
        nights = ", ".join(night.isoformat() for night in self.nights) or "no night"
        return f"{fit} of {counted(len(self.tried), 'description')} fit the logs of {nights}."

    def as_json(self) -> dict[str, Any]:
        """Return the trial as `--json` prints it."""
        return {
            "command": "plan",
            "exit": int(self.exit_code),
            "message": self.message,
            "nights": [night.isoformat() for night in self.nights],
            "logs": [one.as_json() for one in self.tried],
            "findings": [],
        }


def try_logs(config: Config, request: SendRequest, around: Surroundings) -> LogTrial:
    """Read the logs of the chosen nights by their descriptions; nothing is written.

    Raises ConfigurationError where there is no description or one cannot be meant as it is written, and
    NotThere where no source is there.
    """
    descriptions = LogDescriptions(config)
    if not len(descriptions):
        step = "Write one below its source; `nightferry setup --logs FILE` proposes one."
        raise ConfigurationError("The configuration describes no logs", config.file, step)
    seen = survey(config, around.records, around.medium, around.clock(), places_to_keep_out_of(config, ()))
    nights = tuple(chosen_nights(seen, request.scope, frozenset()))
    return LogTrial(nights, tuple(_tried(each, seen, nights) for each in descriptions))


def _tried(each: Described, seen: Survey, nights: Iterable[date]) -> TriedDescription:
    files = [
        (file, night)
        for night in nights
        for file in seen.nights.get(night, ())
        if file.source == each.source and each.pattern.match(file.path)
    ]
    files.sort(key=lambda one: (-one[0].modified_ns, one[0].path))
    read = tuple(_read(each, seen, file, night) for file, night in files[:FILES_READ])
    return TriedDescription(each.source, each.description, len(files), read)


def _read(each: Described, seen: Survey, file: SourceFile, night: date) -> TriedFile:
    shown = f"{file.source}/{file.path}"
    sink = _FirstOnes()
    try:
        with Path(seen.path_of(file)).open("rb") as opened:
            name = file.path.rpartition("/")[2]
            account = each.reader.read(opened, name, night, seen.longitude_deg, sink)
    except OSError as error:
        why = f"it cannot be read ({error.strerror or error})"
        return TriedFile(shown, night, LogAccount(), (), {}, why)
    return TriedFile(shown, night, account, tuple(sink.readings(each)), sink.event_counts(each))


@dataclass(slots=True)
class _FirstOnes:
    """A sink that keeps the first reading of each quantity, and counts events."""

    first: dict[int, tuple[int, float]] = field(default_factory=dict)
    events: dict[int, int] = field(default_factory=dict)

    def reading(self, moment_us: int, quantity: int, value: float) -> None:
        if quantity not in self.first:
            self.first[quantity] = (moment_us, value)

    def event(self, moment_us: int, event: int, text: str, line: int) -> None:  # noqa: ARG002 - a Sink's
        self.events[event] = self.events.get(event, 0) + 1

    def readings(self, each: Described) -> Iterator[FirstReading]:
        for number, (moment_us, value) in sorted(self.first.items()):
            quantity = each.description.readings[number].quantity
            utc = _EPOCH + timedelta(microseconds=moment_us)
            yield FirstReading(quantity, utc, value, each.reader.units[number])

    def event_counts(self, each: Described) -> dict[str, int]:
        return {each.description.events[number].event: count for number, count in self.events.items()}


def _utc(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
