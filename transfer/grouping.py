"""Findings in proportion: many of one kind are one line, so that they hide nothing else.

Screens and receipts are for a person; `--json` tells each finding by itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from manifests.bags.paths import shown
from manifests.findings import Finding, FindingKind
from transfer.remedies import REMEDIES

_TOLD_ONE_BY_ONE = 5


class Told(NamedTuple):
    """A line for a person, free of what a terminal obeys, and how many findings it stands for."""

    line: str
    stands_for: int


def grouped(findings: Iterable[Finding], *, each: bool = False) -> list[Told]:
    """Return a line for each finding; more than five of one kind get one, unless `each` is wanted.

    That line has their number, one example and what can be done. Lines come in the order of the first
    finding that each stands for.
    """
    kinds: dict[FindingKind, list[tuple[int, Finding]]] = {}
    for number, finding in enumerate(findings):
        kinds.setdefault(finding.kind, []).append((number, finding))
    lines: list[tuple[int, Told]] = []
    for of_kind in kinds.values():
        if len(of_kind) > _TOLD_ONE_BY_ONE and not each:
            lines.append((of_kind[0][0], _many([finding for _, finding in of_kind])))
        else:
            lines += [(number, Told(_line(finding), 1)) for number, finding in of_kind]
    return [told for _, told in sorted(lines)]


def _many(findings: Sequence[Finding]) -> Told:
    first = findings[0]
    detail = f": {first.detail}" if first.detail else ""
    remedy = REMEDIES.get(first.kind, "")
    end = "" if detail.endswith(("?", "!", ".")) else "."
    text = f"{len(findings):,} × {first.kind.value}, such as {first.path}{detail}{end} {remedy}".rstrip()
    return Told(shown(text, len(text)), len(findings))


def _line(finding: Finding) -> str:
    detail = f" ({finding.detail})" if finding.detail else ""
    text = f"{finding.path}: {finding.kind.value}{detail}"
    return shown(text, len(text))
