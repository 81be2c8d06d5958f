"""The journal of an unfinished bag: what stands whole on the drive and waits to be read back.

A run that dies leaves it behind, and the next one proves what it lists instead of carrying it again.
A bag has one for as long as it is unfinished, so its presence says that it is. A line is written and
flushed before its file gets its final name: no file of ours stands in a bag without a line.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator

from manifests.bags.entries import Entry, entry_from_json, entry_line
from manifests.bags.paths import JOURNAL
from transfer.engine.durable import PART_ENDING, parent, remove_if_there
from transfer.engine.lines import read_lines
from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.base import write_all


class Journal:
    """The journal of one bag. Raises OSError."""

    def __init__(self, folder: PinnedFolder, bag: str) -> None:
        self._folder = folder
        self._path = f"{bag}/{JOURNAL}"
        self._descriptor: int | None = None
        self._size = 0

    def begin(self, kept: Iterable[Entry]) -> list[int]:
        """Start anew with the entries that are kept, in one step, and give where each line starts."""
        part = self._path + PART_ENDING
        remove_if_there(self._folder, part)
        self.close()
        self._descriptor, self._size = self._folder.create_file(part), 0
        starts = self.append(kept)
        self._folder.replace(part, self._path)
        self._folder.flush_folders([parent(self._path)])
        return starts

    def append(self, entries: Iterable[Entry]) -> list[int]:
        """Add lines and flush them; give where each starts, in bytes."""
        assert self._descriptor is not None, "a journal is begun before it is added to"
        starts = []
        lines = []
        for entry in entries:
            line = entry_line(entry)
            starts.append(self._size)
            self._size += len(line)
            lines.append(line)
        write_all(self._descriptor, b"".join(lines))
        self._folder.flush_files([self._descriptor])
        return starts

    def entries(self) -> Iterator[tuple[int, Entry]]:
        """Read the lines, each with where it starts."""
        return journal_entries(self._folder, self._path)

    def end(self) -> None:
        """Remove the journal: the bag is finished."""
        self.close()
        remove_if_there(self._folder, self._path)
        self._folder.flush_folders([parent(self._path)])

    def close(self) -> None:
        """Let go of the file."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def journal_entries(folder: PinnedFolder, path: str) -> Iterator[tuple[int, Entry]]:
    """Read a journal's lines, each with where it starts. A last line cut by a power cut is no line."""
    start = 0
    for line in read_lines(folder, path):
        entry = _entry(line)
        if entry is not None:
            yield start, entry
        start += len(line)


def _entry(line: bytes) -> Entry | None:
    try:
        return entry_from_json(json.loads(line))
    except (KeyError, TypeError, ValueError, AttributeError):
        # Not flushed when the power went: the file it names is carried again.
        return None
