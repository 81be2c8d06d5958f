"""The tables that lie beside what was laid out: one for programs, one for a person."""

from __future__ import annotations

import csv
import io
import os

from manifests.bags.paths import shown
from manifests.bags.stored_names import NameBook
from transfer.archive.layout import folder_name
from transfer.engine.bag.durable import write_durably
from transfer.engine.medium import PinnedFolder
from transfer.jobs.gather.outcome import GatherOutcome, folders_of
from transfer.jobs.gather.report import report

_WIDTH = 78
_COLUMNS = (
    "type",
    "for",
    "described",
    "frames_needing",
    "frames_matched",
    "missing",
    "why",
    "folders_needing",
    "folders_matched",
)


def write_tables(outcome: GatherOutcome, folder: PinnedFolder) -> tuple[str, ...]:
    """Put both tables into the folder, and give their names: `<target> matches.csv` and `… matches.txt`.

    One of an earlier run that says something else gets another name. Raises OSError and NotAsWritten.
    """
    stem = f"{folder_name(outcome.target)} matches"
    tables = {f"{stem}.csv": csv_text(outcome), f"{stem}.txt": plain_text(outcome)}
    for name, content in tables.items():
        _put(folder, name, content.encode("utf-8", "backslashreplace"))
    return tuple(tables)


def _put(folder: PinnedFolder, name: str, content: bytes) -> None:
    if folder.stat(name) is not None:
        if _content(folder, name, len(content)) == content:
            return
        book = NameBook(each for each, _ in folder.names(""))
        folder.replace(name, book.alternative(name))
    write_durably(folder, name, content)


def _content(folder: PinnedFolder, name: str, at_most: int) -> bytes | None:
    """Give what a file holds, a byte more than `at_most` at most; None where it is no file."""
    try:
        with os.fdopen(folder.open_file(name), "rb") as file:
            return file.read(at_most + 1)
    except OSError:
        return None


def csv_text(outcome: GatherOutcome) -> str:
    """Give a line for each answer: what needs it, what was taken or is missing, why, and where both lie."""
    by_path = outcome.by_path
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for row in outcome.rows:
        needing, matched = folders_of(row.frames, by_path), folders_of(row.matched, by_path)
        writer.writerow(
            (
                row.kind.value,
                row.of.value,
                row.described,
                len(row.frames),
                len(row.matched),
                "yes" if row.missing else "no",
                row.why,
                "; ".join(needing),
                "; ".join(matched),
            )
        )
    return text.getvalue()


def plain_text(outcome: GatherOutcome) -> str:
    """Give the report as a file: it says the same whenever the same lies there."""
    lines = [outcome.summary, *report(outcome, _WIDTH)]
    return "\n".join(shown(line, len(line)) for line in lines) + "\n"
