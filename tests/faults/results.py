"""What came of the trials, kept in a file; as a table: `python -m tests.faults.results FILE`."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

_UNDER_WINE = "wine-"


@dataclass(frozen=True)
class Result:
    """One row of trials: a fault on one kind of drive, and the commands that repeat what did not hold.

    `commit` is the state of the project that was tried; `torn` counts what the file system lost by itself.
    """

    fault: str
    row: str
    on: str
    seed: int
    tried: int
    held: int
    failures: tuple[str, ...]
    commit: str
    torn: int = 0


def commit() -> str:
    """Return the state of the project, as git names it."""
    asked = ["git", "-C", str(Path(__file__).parent), "describe", "--always", "--dirty"]
    return subprocess.run(asked, capture_output=True, text=True, check=False).stdout.strip()


def add(file: Path, result: Result) -> None:
    """Keep a row."""
    with file.open("a", encoding="utf-8") as kept:
        kept.write(json.dumps(asdict(result), ensure_ascii=False) + "\n")


def read(file: Path) -> list[Result]:
    """Return the kept rows in the order of the file; of the same trials, made again, the last.

    Trials of another seed are other trials.
    """
    last: dict[tuple[str, str, int], Result] = {}
    for line in file.read_text(encoding="utf-8").splitlines():
        found = json.loads(line)
        result = Result(**found | {"failures": tuple(found["failures"])})
        last[result.fault, result.on, result.seed] = result
    return list(last.values())


def table(kept: Iterable[Result]) -> str:
    """Return a Markdown table: a fault a line, its kinds of drive together."""
    lines = ["| what went wrong | on | tried | held |", "| --- | --- | ---: | ---: |"]
    together: dict[str, list[Result]] = {}
    for result in kept:
        together.setdefault(result.fault, []).append(result)
    for results in together.values():
        places = ", ".join(dict.fromkeys(result.on for result in results))
        if _UNDER_WINE in places:
            places = f"Windows' interface under Wine: {places.replace(_UNDER_WINE, '')}"
        tried, held = sum(result.tried for result in results), sum(result.held for result in results)
        torn = sum(result.torn for result in results)
        apart = f" ({torn:,} torn by the file system itself)" if torn else ""
        lines.append(f"| {results[0].row} | {places} | {tried:,} | {held:,}{apart} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(table(read(Path(sys.argv[1]))), end="")
