"""How much of a bag's lists is read: enough for every file that lies there, and never without end.

A list on a drive can have any size: a sparse file of a terabyte costs whoever made it nothing. What a bag
lists is kept in memory, so a bag without files gets room for some ten thousands of lines, and more only
for files that are there.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from manifests.bags.paths import (
    BAG_INFO,
    BAGIT_TXT,
    ENTRIES,
    FETCH,
    JOURNAL,
    MANIFEST_NAME,
    PACKAGE_INFO,
    PAYLOAD_XXH128,
    outlives_lists,
)
from manifests.bags.tag_lines import TOO_LARGE

ANYWAY_BYTES = 16 << 20
# Four manifests list a file in about 1,100 bytes (four digests and a path each); an entry has as much.
BYTES_PER_FILE = 4 << 10
# What is kept of a line takes memory beside its text: a short line is not a cheap one.
LINE_COSTS_BYTES = 256

# An entry holds a header's texts, which are short now; there were times when they had any length.
_LONGEST_LINE_BYTES = 4 << 20

_LISTS = frozenset((BAGIT_TXT, BAG_INFO, PACKAGE_INFO, FETCH, ENTRIES, JOURNAL, PAYLOAD_XXH128))


class ListTooLarge(OSError):
    """A list that holds more than the files of its bag explain."""

    def __init__(self) -> None:
        super().__init__(errno.EFBIG, TOO_LARGE)


class Allowance:
    """What may be read of one list, or of several together. `count_files` counts the files of the bag.

    They are counted only once more was read than a bag may have without any.
    """

    def __init__(self, count_files: Callable[[], int]) -> None:
        self._count_files: Callable[[], int] | None = count_files
        self._left = ANYWAY_BYTES

    def takes(self, characters: int) -> bool:
        """Return whether a line, or a part of one, of so many characters may still be read."""
        self._left -= characters + LINE_COSTS_BYTES
        if self._left < 0 and self._count_files is not None:
            self._left += BYTES_PER_FILE * self._count_files()
            self._count_files = None
        return self._left >= 0


def bounded_lines(file: BinaryIO, allowance: Allowance) -> Iterator[bytes]:
    """Read the lines of a file, line ends included; one longer than any of ours comes in pieces.

    Raises ListTooLarge, and OSError where reading fails.
    """
    while line := file.readline(_LONGEST_LINE_BYTES):
        if not allowance.takes(len(line)):
            raise ListTooLarge
        yield line


def is_list(path: str) -> bool:
    """Return whether a tag file is a list of a bag, whose size its files explain."""
    return path in _LISTS or MANIFEST_NAME.fullmatch(path) is not None or outlives_lists(path)


def may_be_a_list_of(size_bytes: int, files: int) -> bool:
    """Return whether a list of a bag with so many files may have this size."""
    return size_bytes <= ANYWAY_BYTES + BYTES_PER_FILE * files


def files_in(folder: Path) -> int:
    """Count the files at any depth below a folder; a folder that cannot be read counts as empty."""
    count, pending = 0, [str(folder)]
    while pending:
        with suppress(OSError), os.scandir(pending.pop()) as entries:
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    pending.append(entry.path)
                else:
                    count += 1
    return count
