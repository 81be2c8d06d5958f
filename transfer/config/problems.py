"""What is wrong with a configuration: one problem for each key, and the error that carries them all."""

from __future__ import annotations

import json
import reprlib
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from transfer.errors import ConfigurationError

_SHOWN_AT_MOST = 60


class ConfigProblem(NamedTuple):
    """One thing wrong with one key.

    `key` is written as in `source[2].folder` (tables are counted from 1); `value` is what the file
    says, empty where the key is missing; `nearest` is the known key that a misspelt one resembles.
    """

    key: str
    value: str
    expected: str
    nearest: str = ""

    def __str__(self) -> str:
        what = f"{self.key} = {self.value}" if self.value else f"{self.key} is missing"
        meant = f"; did you mean {self.nearest}?" if self.nearest else ""
        return f"{what}: expected {self.expected}{meant}"


class BrokenConfig(ConfigurationError):
    """A configuration that says something it cannot mean; `problems` has every one."""

    def __init__(self, file: Path, problems: Iterable[ConfigProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n  ".join(map(str, self.problems)), file)

    def __str__(self) -> str:
        if len(self.problems) == 1:
            return f"{self.path}: {self.happened}"
        return f"{self.path}: {len(self.problems)} keys need a change.\n  {self.happened}"


def shown(value: object) -> str:
    """Return a value as the file may have written it, cut to what a line can show."""
    if isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, bool):
        text = str(value).lower()
    else:
        text = _brief(value)
    return text if len(text) <= _SHOWN_AT_MOST else f"{text[:_SHOWN_AT_MOST]}…"


def key_shown(name: str) -> str:
    """Return an unknown key as the file writes it: what is no bare key of TOML stands in quotes."""
    return name if name.isascii() and name.replace("-", "_").isidentifier() else shown(name)


def _brief(value: object) -> str:
    try:
        return reprlib.repr(value)
    except ValueError:  # Python writes no integer of more than 4,300 digits
        return "a number too long to show"


def nearest(written: str, known: Iterable[str]) -> str:
    """Return the known key that a misspelt one resembles, or nothing."""
    from difflib import get_close_matches  # needed only where something is misspelt

    names = list(known)
    lowered = written.lower()
    close = get_close_matches(lowered, names, n=1)
    begun = [name for name in names if len(lowered) > 1 and name.startswith(lowered)]
    return next(iter(close + begun), "")
