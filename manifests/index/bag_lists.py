"""What a bag's own lists say: its tag manifest, and its entries line by line."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from pathlib import Path

from manifests.bags.containment import open_ordinary, read_small, real_file
from manifests.bags.declared import Faults
from manifests.bags.list_sizes import Allowance, ListTooLarge, bounded_lines, files_in
from manifests.bags.manifest_lines import read_manifest
from manifests.bags.paths import ENTRIES, TAG_MANIFEST
from manifests.bags.tag_lines import TOO_LARGE, tag_lines
from manifests.findings import Finding, FindingKind


def tag_manifest(folder: Path) -> bytes | None:
    """Return the content of a bag's tag manifest; None where it has none.

    Raises OSError, also for one that is far too large.
    """
    try:
        return read_small(real_file(folder, TAG_MANIFEST), _MOST_TAG_MANIFEST_BYTES)
    except FileNotFoundError:
        return None


# It lists a line for each tag file; a bag of ours has five, and one for each archive that has its files.
_MOST_TAG_MANIFEST_BYTES = 16 << 20


class EntryLines:
    """Yields the lines of a bag's entries, and reports afterwards what is wrong with the whole list.

    `content` is the bag's tag manifest, which lists the digest of the entries.
    """

    def __init__(self, folder: Path, content: bytes | None) -> None:
        self._folder = folder
        self._listed = _listed_digest(content)
        self._digest = hashlib.sha256()
        self._problem: Finding | None = None

    def __iter__(self) -> Iterator[tuple[int, bytes]]:
        """Return each line with its number, counted from 1."""
        try:
            with io.BufferedReader(open_ordinary(real_file(self._folder, ENTRIES)), 1 << 18) as file:
                allowance = Allowance(lambda: files_in(self._folder))
                for number, line in enumerate(bounded_lines(file, allowance), 1):
                    self._digest.update(line)
                    yield number, line
        except ListTooLarge:
            self._problem = Finding(FindingKind.MALFORMED, TOO_LARGE, ENTRIES)
        except FileNotFoundError:
            if self._listed is not None:
                self._problem = Finding(FindingKind.MISSING, "the bag's list of entries", ENTRIES)
            self._listed = None
        except OSError as error:
            self._problem = Finding(FindingKind.UNREADABLE, error.strerror or str(error), ENTRIES)

    @property
    def ends_early(self) -> bool:
        """Whether the list was not read to its end."""
        return self._problem is not None and self._problem.kind is not FindingKind.MISSING

    def problem(self) -> Finding | None:
        """Return what is wrong with the list as a whole, once all lines were taken."""
        if self._problem is None and self._listed not in (None, self._digest.digest()):
            return Finding(FindingKind.CHANGED, f"is not what {TAG_MANIFEST} lists", ENTRIES)
        return self._problem


def _listed_digest(content: bytes | None) -> bytes | None:
    if content is None:
        return None
    lines = tag_lines(io.BytesIO(content), "utf-8")
    return read_manifest(TAG_MANIFEST, lines, (1, 0), Faults(TAG_MANIFEST)).digests.get(ENTRIES)
