"""Findings that say the same of many files, told once: one odd folder must not hide all else.

Screens and receipts are for a person; `--json` tells each finding by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from manifests.bags.paths import shown
from manifests.findings import Finding

_TOLD_ONE_BY_ONE = 5
_NAMED = 3
_Numbered = tuple[int, Finding]


class Told(NamedTuple):
    """A line for a person, free of what a terminal obeys, and how many findings it stands for."""

    line: str
    stands_for: int


def grouped(findings: Iterable[Finding]) -> list[Told]:
    """Return a line for each finding; more than five that say the same, or much the same, get one.

    The same is said by kind and detail; much the same by one kind of files in one folder, where details
    tell of each file's own name. Lines come in the order of the first finding that each stands for.
    """
    lines: list[tuple[int, Told]] = []
    alone: list[_Numbered] = []
    for group in _groups(enumerate(findings), lambda each: (each.kind, each.detail)):
        if len(group) > _TOLD_ONE_BY_ONE:
            lines.append((group[0][0], _same([each for _, each in group])))
        else:
            alone += group
    for group in _groups(alone, lambda each: (each.kind, _folder(each))):
        if len(group) > _TOLD_ONE_BY_ONE:
            lines.append((group[0][0], _alike([each for _, each in group])))
        else:
            lines += [(number, Told(_line(each.path, each), 1)) for number, each in group]
    return [told for _, told in sorted(lines)]


def _groups(findings: Iterable[_Numbered], key: Callable[[Finding], object]) -> list[list[_Numbered]]:
    groups: dict[object, list[_Numbered]] = {}
    for number, finding in findings:
        groups.setdefault(key(finding), []).append((number, finding))
    return list(groups.values())


def _folder(finding: Finding) -> str:
    return finding.path.rpartition("/")[0]


def _same(findings: Sequence[Finding]) -> Told:
    first = ", ".join(each.path for each in findings[:_NAMED])
    more = len(findings) - _NAMED
    return Told(_line(f"{first} and {more:,} more", findings[0]), len(findings))


def _alike(findings: Sequence[Finding]) -> Told:
    first, more = findings[0], len(findings) - 1
    where = f" in {_folder(first)}" if _folder(first) else ""
    return Told(_line(f"{first.path} and {more:,} more{where}", first, "such as: "), len(findings))


def _line(where: str, finding: Finding, before: str = "") -> str:
    detail = f" ({before}{finding.detail})" if finding.detail else ""
    text = f"{where}: {finding.kind.value}{detail}"
    return shown(text, len(text))
