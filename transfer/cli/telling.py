"""Notes beside a list, on standard error, and a quiet end where the reader of the output has gone."""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from transfer.archive.notes import (
    BagsChanged,
    Building,
    Built,
    ForThisRunOnly,
    Note,
    NotUpToDate,
    ReadAs,
)
from transfer.cli.screen import columns_of, screen_of
from transfer.errors import ExitCode
from transfer.words import counted

if TYPE_CHECKING:
    from manifests.findings import Finding
    from manifests.index.rebuilding import BroughtUpToDate
    from manifests.index.refreshing import Refreshed


_NAMED = 5


class NoteWriter:
    """Writes each note when it comes, and keeps what was written."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def __call__(self, note: Note) -> None:
        """Write one note."""
        self.say(line_of(note))

    def say(self, line: str) -> None:
        """Write a line."""
        self.said.append(line)
        screen = screen_of(sys.stderr)
        click.echo("\n".join(fitted([screen.clean(line)], screen.width)), err=True)

    def say_findings(self, findings: Iterable[Finding]) -> None:
        """Write the findings about the archive's bags, many of one kind as one line."""
        for line in worth_a_look(findings, see="--json"):
            self.say(line)


def worth_a_look(
    findings: Iterable[Finding],
    *,
    each: bool = False,
    before: str = "Worth a look: ",
    see: str = "--all-findings",
) -> list[str]:
    """Return lines for findings, many of one kind as one unless `each` is wanted, and how to `see` each."""
    from transfer.grouping import grouped

    told = grouped(findings, each=each)
    lines = [f"{before}{one.line}" for one in told]
    if any(one.stands_for > 1 for one in told):
        indent = " " * (len(before) - len(before.lstrip()))
        lines.append(f"{indent}{see} lists each by itself.")
    return lines


def line_of(note: Note) -> str:
    """Return a note as a line for a person."""
    match note:
        case Building(damage=""):
            return "There is no index of this archive yet: it is being built from the bags."
        case Building(damage=damage):
            return f"The index cannot be believed ({damage}): it is being built again from the bags."
        case Built(report=report):
            return _built(report)
        case BagsChanged(refreshed=refreshed):
            return _changed(refreshed)
        case ForThisRunOnly(fault=fault):
            return f"{fault} The index was made for this run alone: what it says is right."
        case NotUpToDate():
            return "Another program is at work on the index: this is what it said before that."
        case ReadAs(kind=kind, written=written, names=names):
            return f"The {kind} {written!r} was read as {_listed(names)}."
        case unknown:
            near = f" Near it: {', '.join(unknown.near)}." if unknown.near else ""
            return f"The archive has no {unknown.kind} {unknown.written!r}.{near}"


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - _NAMED:,} more" if len(names) > _NAMED else ""
    return ", ".join(map(repr, names[:_NAMED])) + more


def _built(report: BroughtUpToDate) -> str:
    files, bags = counted(report.refreshed.files_added, "file"), counted(report.refreshed.bags, "bag")
    aside = f" The damaged one lies in {report.set_aside.path}." if report.set_aside else ""
    return f"The index was built: {files} in {bags}.{aside}"


def _changed(refreshed: Refreshed) -> str:
    parts = [f"{path} is new or has changed" for path in refreshed.read]
    parts += [f"{old} is now {new}" for old, new in refreshed.moved]
    parts += [f"{path} is absent" for path in refreshed.vanished]
    parts += [f"{path} is back" for path in refreshed.returned]
    more = f"; and {len(parts) - 5:,} more" if len(parts) > 5 else ""
    return f"Bags have changed: {'; '.join(parts[:5])}{more}."


def write_lines(lines: Iterable[str]) -> None:
    """Write lines on standard output, without a flush after each."""
    sys.stdout.writelines(f"{line}\n" for line in lines)


@contextmanager
def until_the_reader_goes() -> Iterator[None]:
    """End quietly where the reader of the output closes it early, as `head` does."""
    try:
        yield
        sys.stdout.flush()
    except OSError as error:
        if not isinstance(error, BrokenPipeError) and not _is_a_closed_pipe_on_windows(error):
            raise
        # Python flushes its buffers when the program ends: they must go somewhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(int(ExitCode.STOPPED_EARLY))


def _is_a_closed_pipe_on_windows(error: OSError) -> bool:
    # The C library of Windows says EINVAL, and no path, where others say EPIPE.
    return os.name == "nt" and error.errno == 22 and error.filename is None


def fitted(lines: Iterable[str], width: int | None) -> Iterator[str]:
    """Return lines broken where they are wider than the screen; what goes on below is set in further."""
    for line in lines:
        if width is None or columns_of(line) <= width:
            yield line
            continue
        indent = " " * (len(line) - len(line.lstrip()))
        yield from textwrap.wrap(
            line, width, subsequent_indent=f"{indent}  ", break_long_words=False, break_on_hyphens=False
        )
