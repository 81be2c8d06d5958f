"""What was matched to what and why, and what is missing: on the screen, and as two tables in the folder."""

from __future__ import annotations

import csv
import io
import os
import textwrap
from collections.abc import Iterator, Mapping, Sequence

from manifests.bags.paths import shown
from manifests.bags.stored_names import NameBook
from manifests.findings import Finding
from manifests.frames.calibration.plan import Row
from manifests.frames.calibration.sentences import nights_of, several
from manifests.frames.frame import FrameType
from transfer.archive.layout import folder_name
from transfer.engine.bag.durable import write_durably
from transfer.engine.medium import PinnedFolder
from transfer.grouping import grouped
from transfer.jobs.gather.archive_frames import filter_of
from transfer.jobs.gather.outcome import GatherOutcome, LaidOut, folders_of

_WIDTH = 78
_TYPE_WIDTH = 12
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
_SHARED = (
    "What lies here as a link is the archive's own file: a program that writes into it changes the archive. "
    "For such a program lay out copies, in another folder: nightferry gather --copy"
)
_READ_ONLY = (
    "What lies here as a link is the archive's own file, which is read-only now. For a program that has to "
    "write into it lay out copies, in another folder: nightferry gather --copy"
)


def report(outcome: GatherOutcome, width: int, each_finding: bool = True) -> Iterator[str]:
    """Return the report's lines, wrapped to a width in characters."""
    by_path = outcome.by_path
    yield from _lights(outcome.lights)
    yield from _rows("What goes together", [row for row in outcome.rows if not row.missing], by_path, width)
    yield from _rows("What is missing", outcome.missing, by_path, width)
    yield from _findings("What could not be laid out", outcome.failures, width, each_finding)
    yield from _findings("Worth a look", outcome.remarks, width, each_finding)
    if any(each.shares_the_archives_file for each in outcome.laid_out):
        yield ""
        yield from wrapped(_READ_ONLY if outcome.read_only else _SHARED, width)


def wrapped(text: str, width: int, indent: str = "", first: str | None = None) -> list[str]:
    """Return a text in lines of at most so many characters; a path that is longer is not cut."""
    return textwrap.wrap(
        text,
        width,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _lights(lights: Sequence[LaidOut]) -> Iterator[str]:
    groups: dict[tuple[str, str], list[LaidOut]] = {}
    for light in lights:
        groups.setdefault((light.frame.row.target or "", filter_of(light.frame.row)), []).append(light)
    if groups:
        yield ""
        yield "Lights"
    for (target, name), alike in sorted(groups.items()):
        hours = sum(max(light.frame.setup.exposure_s or 0.0, 0.0) for light in alike) / 3600
        nights = nights_of(light.frame.setup for light in alike).removeprefix("of ")
        yield f"  {target[:19]:<20}{name[:13]:<14}{len(alike):>6,}{hours:>7.1f} h  {nights}"


def _rows(title: str, rows: Sequence[Row], by_path: Mapping[str, LaidOut], width: int) -> Iterator[str]:
    if rows:
        yield ""
        yield title
    indent = " " * (_TYPE_WIDTH + 2)
    for row in rows:
        yield from wrapped(_needed_for(row), width, indent, f"  {row.kind.value:<{_TYPE_WIDTH}}")
        yield from wrapped(row.why, width, indent)
        for folder in folders_of(row.matched, by_path):
            yield from wrapped(f"in {folder}", width, indent)


def _needed_for(row: Row) -> str:
    if row.kind is FrameType.LIGHT:
        return row.described
    count = len(row.frames)
    return f"for {count:,} {several(row.of) if count > 1 else row.of.value}, {row.described}:"


def _findings(title: str, findings: Sequence[Finding], width: int, each: bool) -> Iterator[str]:
    if findings:
        yield ""
        yield f"{title} ({len(findings):,})"
    told = grouped(findings, each=each)
    for one in told:
        yield from wrapped(one.line, width, "    ", "  ")
    if len(told) < len(findings):
        yield "  --all-findings lists each by itself, and so does the table in the folder."


def write_tables(outcome: GatherOutcome, folder: PinnedFolder) -> tuple[str, ...]:
    """Write both tables into the folder and return their names: `<target> matches.csv` and `… matches.txt`.

    A table of an earlier run with other content gets another name. Raises OSError and NotAsWritten.
    """
    stem = f"{folder_name(outcome.target)} matches"
    tables = {f"{stem}.csv": csv_text(outcome), f"{stem}.txt": plain_text(outcome)}
    for name, content in tables.items():
        _write_beside_older(folder, name, content.encode("utf-8", "backslashreplace"))
    return tuple(tables)


def _write_beside_older(folder: PinnedFolder, name: str, content: bytes) -> None:
    if folder.stat(name) is not None:
        if _content(folder, name, len(content)) == content:
            return
        book = NameBook(each for each, _ in folder.names(""))
        folder.replace(name, book.alternative(name))
    write_durably(folder, name, content)


def _content(folder: PinnedFolder, name: str, at_most: int) -> bytes | None:
    """Return a file's content, at most a byte more than `at_most`; None where it cannot be read."""
    try:
        with os.fdopen(folder.open_file(name), "rb") as file:
            return file.read(at_most + 1)
    except OSError:
        return None


def csv_text(outcome: GatherOutcome) -> str:
    """Return a line for each answer: what needs it, what was taken or is missing, why, and both folders."""
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
    """Return the report as a file's content, equal for every run that finds the same."""
    lines = [outcome.summary, *report(outcome, _WIDTH)]
    return "\n".join(shown(line, len(line)) for line in lines) + "\n"
