"""The journal of an unfinished bag: what stands whole on the drive and waits to be read back.

A run that dies leaves it behind, and the next one proves what it lists instead of carrying it again.
A bag has one for as long as it is unfinished, so its presence says that it is. A line is written and
flushed before its file gets its final name: no file of ours stands in a bag without a line. Each line
is an entry with the XXH3-64 of the rest of the line before it: one that a bad drive has changed is no
line, and never a digest or a name that a manifest would then repeat.
"""

from __future__ import annotations

import itertools
import os
import re
from collections.abc import Iterable, Iterator
from contextlib import suppress

import xxhash

from manifests.bags.entries import Entry, entry_from_line, entry_line
from manifests.bags.list_sizes import ListTooLarge
from manifests.bags.paths import JOURNAL
from transfer.engine.bag.durable import PART_ENDING, remove_if_there
from transfer.engine.bag.lines import parent, read_lines
from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.base import write_all

_LINE = re.compile(rb'\{"xxh3":"([0-9a-f]{16})",(.*)', re.DOTALL)


class Journal:
    """The journal of one bag. Raises OSError."""

    def __init__(self, folder: PinnedFolder, bag: str) -> None:
        self._folder = folder
        self._path = f"{bag}/{JOURNAL}"
        self._descriptor: int | None = None
        self._size = 0

    def begin(self, kept: Iterable[Entry]) -> list[int]:
        """Start anew with the entries that are kept, in one step, and return where each line starts."""
        part = self._path + PART_ENDING
        remove_if_there(self._folder, part)
        self.close()
        self._descriptor, self._size = self._folder.create_file(part), 0
        starts = self.append(kept)
        # Closed first: to some drivers in user space what is written to a renamed file is lost.
        self.close()
        self._folder.replace(part, self._path)
        self._folder.flush_folders([parent(self._path)])
        self._descriptor = self._folder.extend_file(self._path)
        return starts

    def append(self, entries: Iterable[Entry]) -> list[int]:
        """Add lines and flush them; return where each starts, in bytes. All of them, or none."""
        assert self._descriptor is not None, "a journal is begun before it is added to"
        lines = [journal_line(entry) for entry in entries]
        starts = list(itertools.accumulate(map(len, lines), initial=self._size))
        try:
            write_all(self._descriptor, b"".join(lines))
            self._folder.flush_files([self._descriptor])
        except OSError:
            self._take_back()
            raise
        self._size = starts.pop()
        return starts

    def _take_back(self) -> None:
        """Cut off what a failed append has left: a torn line would swallow the next one."""
        assert self._descriptor is not None
        os.ftruncate(self._descriptor, self._size)
        os.lseek(self._descriptor, 0, os.SEEK_END)

    def entries(self) -> Iterator[tuple[int, Entry]]:
        """Read the lines, each with where it starts."""
        return journal_entries(self._folder, self._path)

    def end(self) -> None:
        """Remove the journal: the bag is finished."""
        self.close()
        remove_if_there(self._folder, self._path)
        self._folder.flush_folders([parent(self._path)])

    def close(self) -> None:
        """Close the file."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def journal_entries(folder: PinnedFolder, path: str) -> Iterator[tuple[int, Entry]]:
    """Read a journal's lines, each with where it starts. A last line cut by a power cut is no line.

    Nor is what follows where it is larger than the files of its bag explain: no run of ours wrote that.
    """
    start = 0
    with suppress(ListTooLarge):
        for line in read_lines(folder, path):
            entry = _entry(line)
            if entry is not None:
                yield start, entry
            start += len(line)


def journal_line(entry: Entry) -> bytes:
    """Return an entry as a line of a journal, its digest before it and its line end behind."""
    rest = entry_line(entry)[1:]
    return b'{"xxh3":"%s",%s' % (xxhash.xxh3_64_hexdigest(rest).encode(), rest)


def _entry(line: bytes) -> Entry | None:
    """Read a line; None for one that was not flushed when the power went: its file is carried again."""
    found = _LINE.fullmatch(line)
    if found is None or xxhash.xxh3_64_hexdigest(found[2]).encode() != found[1]:
        return None
    try:
        return entry_from_line(line)
    except ValueError:
        return None
