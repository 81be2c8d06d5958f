"""Matches what a manifest lists with the files on the disk, one to one."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from manifests.bags.containment import NotOrdinary, real_file, suspicion
from manifests.bags.contents import Contents
from manifests.bags.declared import Manifest
from manifests.bags.paths import composed, other_spellings, shown
from manifests.findings import Finding, FindingKind


@dataclass(slots=True)
class Matched:
    """`on_disk` maps each listed path that is there to its path on the disk.

    `through_links` maps those that are links, or lie below one, to the real file. Listed paths that are
    not there, or must not be opened, are findings.
    """

    on_disk: dict[str, str] = field(default_factory=dict)
    through_links: dict[str, Path] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)


def match(folder: Path, manifest: Manifest, contents: Contents, fetchable: Mapping[str, str]) -> Matched:
    """Find what one manifest lists in what lies in the bag's folder.

    A name that is there exactly as listed comes first. What is left may be the same name in another
    spelling: percent signs (RFC 8493 against older habits), another Unicode normal form (HFS+ stores
    names decomposed), another case where the file system does not tell cases apart. No file stands
    for two listed paths.
    """
    matching = _Matching(folder, manifest, contents, fetchable)
    for listed in manifest.digests:
        matching.place(listed)
    return matching.matched


class _Matching:
    def __init__(
        self, folder: Path, manifest: Manifest, contents: Contents, fetchable: Mapping[str, str]
    ) -> None:
        self._folder = folder
        self._manifest = manifest
        self._contents = contents
        self._fetchable = fetchable
        self._claimed = {path for path in manifest.digests if path in contents.files}
        self._by_fold: dict[str, list[str]] | None = None
        self.matched = Matched()

    def place(self, listed: str) -> None:
        found = listed if listed in self._claimed else self._in_another_spelling(listed)
        if found is not None:
            self._place_file(listed, found)
        elif self._contents.below_a_link(listed):
            self._place_link(listed)
        else:
            self.matched.findings.append(self._not_there(listed))

    def _place_file(self, listed: str, found: str) -> None:
        why = suspicion(found) if os.name == "nt" else ""
        if why:
            self._refuse(listed, why)
        else:
            self.matched.on_disk[listed] = found

    def _place_link(self, listed: str) -> None:
        try:
            self.matched.through_links[listed] = real_file(self._folder, listed)
            self.matched.on_disk[listed] = listed
        except NotOrdinary as error:
            self._refuse(listed, error.reason)
        except FileNotFoundError:
            self.matched.findings.append(Finding(FindingKind.MISSING, "is a link that leads nowhere", listed))
        except OSError as error:
            reason = error.strerror or str(error)
            self.matched.findings.append(Finding(FindingKind.UNREADABLE, reason, listed))

    def _refuse(self, listed: str, why: str) -> None:
        detail = f"{why}: it was not opened ({self._manifest.name})"
        self.matched.findings.append(Finding(FindingKind.MALFORMED, detail, listed))

    def _not_there(self, listed: str) -> Finding:
        if listed in self._contents.others:
            return Finding(FindingKind.MALFORMED, "is not an ordinary file: it was not opened", listed)
        reason = self._contents.why_unreadable(listed)
        if reason:
            return Finding(FindingKind.UNREADABLE, reason, listed)
        why = suspicion(listed)
        if why:
            detail = f"{why}, and no file here is called so ({self._manifest.name})"
            return Finding(FindingKind.MALFORMED, detail, listed)
        url = self._fetchable.get(listed)
        return Finding(FindingKind.MISSING, f"to be fetched from {shown(url)}" if url else "", listed)

    # Other spellings

    def _in_another_spelling(self, listed: str) -> str | None:
        for found in self._candidates(listed):
            if found in self._contents.files and found not in self._claimed:
                self._claimed.add(found)
                return found
        return None

    def _candidates(self, listed: str) -> Iterator[str]:
        written = self._manifest.as_written.get(listed)
        if written is not None:
            yield from other_spellings(written)
        for found in self._same_but_for_case_and_form(listed):
            if composed(found) == composed(listed) or self._is_one_file(listed, found):
                yield found

    def _same_but_for_case_and_form(self, listed: str) -> list[str]:
        if self._by_fold is None:
            self._by_fold = defaultdict(list)
            for path in self._contents.files:
                if path not in self._claimed:
                    self._by_fold[_folded(path)].append(path)
        return self._by_fold.get(_folded(listed), [])

    def _is_one_file(self, listed: str, found: str) -> bool:
        """Return whether the file system treats two names as one file. Neither is opened."""
        try:
            return (self._folder / listed).samefile(self._folder / found)
        except OSError:
            return False


def _folded(path: str) -> str:
    return composed(path).casefold()
