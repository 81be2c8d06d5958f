"""Which damaged files of an archive's bag were written again, from where: statements "healed".

The statement that files are about to be written again comes before anything is moved, another one when they
were read back and hold. So a run that died in between leaves a trace, and the next one ends it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from manifests.bags.statements import Statement

HEALED = "healed"


@dataclass(frozen=True, slots=True)
class Healing:
    """One file written again: what was wrong, the copy it came from, and where what was left of it lies.

    `copy` is the copy's path below the archive or drive that `donor` names; `set_aside` is a path in the bag,
    empty where nothing was left. `whole` once it was read back and held.
    """

    path: str
    begun_utc: datetime
    wrong: str
    donor: str
    copy: str
    set_aside: str = ""
    whole: bool = False


def begun_statement(healings: Iterable[Healing], now: datetime) -> Statement:
    """Return the statement that some files are about to be written again from one donor."""
    each = list(healings)
    files = {one.path: {"wrong": one.wrong, "copy": one.copy, "set_aside": one.set_aside} for one in each}
    return Statement(HEALED, now, {"from": each[0].donor, "files": files})


def whole_statement(paths: Iterable[str], now: datetime) -> Statement:
    """Return the statement that files which were written again were read back and hold."""
    return Statement(HEALED, now, {"whole": list(paths)})


def healings(statements: Iterable[Statement]) -> list[Healing]:
    """Return every healing that a bag's statements tell of, in order; what is none is left out."""
    found: list[Healing] = []
    for statement in statements:
        files, whole = statement.facts.get("files"), statement.facts.get("whole")
        if isinstance(files, dict):
            donor = str(statement.facts.get("from", ""))
            found += [_healing(path, said, donor, statement.said_utc) for path, said in files.items()]
        if isinstance(whole, list):
            found = [replace(each, whole=True) if each.path in whole else each for each in found]
    return found


def _healing(path: str, said: Any, donor: str, begun_utc: datetime) -> Healing:
    facts: Mapping[str, Any] = said if isinstance(said, dict) else {}
    wrong, copy, aside = (str(facts.get(key, "")) for key in ("wrong", "copy", "set_aside"))
    return Healing(path, begun_utc, wrong, donor, copy, aside)
