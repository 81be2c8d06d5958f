"""A file to be carried to one drive."""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

from manifests.findings import Finding
from transfer.engine.bag.listed import Known
from transfer.engine.sources import SourceFile


class Task(NamedTuple):
    """One file to carry to one drive: `path` is its place in the bag, `older` what the bag has of it."""

    file: SourceFile
    night: date
    path: str
    older: Known | None = None
    findings: tuple[Finding, ...] = ()
