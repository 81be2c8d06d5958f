"""The descriptions of logs that a configuration has, each with its reader, found for a source's file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from manifests.readings.description import BadDescription, LogDescription
from transfer.config.patterns import Patterns
from transfer.config.problems import BrokenConfig, ConfigProblem
from transfer.config.settings import Config

if TYPE_CHECKING:
    from manifests.readings.log_reading import LogReader


@dataclass(frozen=True, slots=True)
class Described:
    """One description of a source's logs; `reader` reads them, `pattern` says which files they are."""

    source: str
    description: LogDescription
    reader: LogReader
    pattern: Patterns


class LogDescriptions:
    """All descriptions of a configuration.

    Raises BrokenConfig, naming each key, where one cannot be meant as it is written: an expression that does
    not compile, a unit that astropy does not know, a zone that is none.
    """

    def __init__(self, config: Config) -> None:
        self._described: list[Described] = []
        problems: list[ConfigProblem] = []
        for at, source in enumerate(config.sources, 1):
            for number, description in enumerate(source.logs, 1):
                try:
                    self._described.append(_described(source.name, description))
                except BadDescription as bad:
                    where = f"source[{at}].logs[{number}].{bad.key}"
                    problems.append(ConfigProblem(where, bad.written, bad.expected))
        if problems:
            raise BrokenConfig(config.file, problems)

    def __iter__(self) -> Iterator[Described]:
        return iter(self._described)

    def __len__(self) -> int:
        return len(self._described)

    def of(self, source: str, path: str) -> list[Described]:
        """Return the descriptions of a file, by its source and its path below the source's folder."""
        return [one for one in self._described if one.source == source and one.pattern.match(path)]


def _described(source: str, description: LogDescription) -> Described:
    from manifests.readings.log_reading import LogReader  # loaded only where logs are read

    return Described(source, description, LogReader(description), Patterns([description.files]))
