"""Compares a bag's lists with its folder before any payload is read."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from manifests.bags.contents import Contents, left_by_a_system, survey
from manifests.bags.declared import Bag, Manifest
from manifests.bags.list_sizes import is_list, may_be_a_list_of
from manifests.bags.matching import Matched, match
from manifests.bags.paths import (
    BAG_INFO,
    BAGIT_TXT,
    ENTRIES,
    JOURNAL,
    OWN,
    PAYLOAD,
    PAYLOAD_XXH128,
    composed,
    shown,
)
from manifests.findings import Finding, FindingKind

_RUN_AGAIN = "run `nightferry send` again with this drive, or `nightferry file` where it is an archive"


class Expected(NamedTuple):
    """What one manifest says a file's digest is."""

    manifest: Manifest
    digest: bytes


Listed = dict[str, list[Expected]]


@dataclass(slots=True)
class Inventory:
    """What is there, by its path on the disk, with what it must be.

    `payload` and `tags` are what manifests list; `waiting` is what only the journal of an unfinished run
    lists. `real` maps a path that is reached through a link to the file to open, `respelled` a listed path to
    its spelling on the disk.
    """

    folder: Path
    contents: Contents
    payload: Listed = field(default_factory=dict)
    tags: Listed = field(default_factory=dict)
    waiting: Listed = field(default_factory=dict)
    real: dict[str, Path] = field(default_factory=dict)
    respelled: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    said: set[tuple[FindingKind, str]] = field(default_factory=set)

    def say(self, findings: Iterable[Finding]) -> None:
        """Add findings; the same kind about the same file, which several manifests may cause, once."""
        for finding in findings:
            if (finding.kind, finding.path) not in self.said:
                self.said.add((finding.kind, finding.path))
                self.findings.append(finding)

    def take(self, matched: Matched, manifest: Manifest, into: Listed) -> None:
        """Add what one manifest lists and what of it is there."""
        for listed, path in matched.on_disk.items():
            into.setdefault(path, []).append(Expected(manifest, manifest.digests[listed]))
            if listed != path:
                self.respelled[listed] = path
        self.real.update(matched.through_links)

    def size_bytes(self, path: str) -> int:
        """Return a file's size on the disk. Raises OSError where a link has lost its file."""
        stamp = self.contents.files.get(path)
        return stamp.size_bytes if stamp else self.file(path).stat().st_size

    def file(self, path: str) -> Path:
        """Return the file to open for a path on the disk."""
        return self.real.get(path) or self.folder / path


def take_inventory(bag: Bag) -> Inventory:
    """Look at what lies in the bag's folder, and match it with what the bag lists. Opens no payload file."""
    tops = {composed(path.partition("/")[0]) for one in bag.tag_manifests for path in one.digests}
    inventory = Inventory(bag.path, survey(bag.path, tops | {PAYLOAD, OWN}))
    inventory.findings += [malformed.as_finding() for malformed in bag.malformed]
    inventory.say(bag.unreadable)
    for manifests, into in ((bag.tag_manifests, inventory.tags), (bag.manifests, inventory.payload)):
        for manifest in manifests:
            matched = match(bag.path, manifest, inventory.contents, bag.fetchable)
            inventory.take(matched, manifest, into)
            inventory.say(matched.findings)
    _leave_out_large_lists(inventory)
    if bag.journal is not None:
        _take_journal(bag, bag.journal, inventory)
    _say_unreadable(inventory)
    _say_unlisted(bag, inventory)
    return inventory


def _leave_out_large_lists(inventory: Inventory) -> None:
    """Leave out lists that the bag's files do not explain: to digest one of a terabyte would take hours."""
    files = inventory.contents.files
    for path, stamp in files.items():
        if not may_be_a_list_of(stamp.size_bytes, len(files)) and is_list(path):
            detail = f"has {stamp.size_bytes} bytes, more than the files of its bag explain; it was not read"
            inventory.say([Finding(FindingKind.MALFORMED, detail, path)])
            inventory.tags.pop(path, None)


def _take_journal(bag: Bag, journal: Manifest, inventory: Inventory) -> None:
    """Add what the journal lists. Its line is written before a file is named: a missing file is no loss."""
    matched = match(bag.path, journal, inventory.contents, {})
    waiting: Listed = {}
    inventory.take(matched, journal, waiting)
    inventory.waiting = {path: one for path, one in waiting.items() if path not in inventory.payload}
    inventory.say(finding for finding in matched.findings if finding.kind is not FindingKind.MISSING)
    count = len(inventory.waiting)
    files = "1 file is" if count == 1 else f"{count} files are"
    detail = f"a run has not finished here, and {files} in no manifest yet: {_RUN_AGAIN}"
    inventory.say([Finding(FindingKind.UNFINISHED, detail, JOURNAL)])


def _say_unreadable(inventory: Inventory) -> None:
    for path, reason in inventory.contents.unreadable.items():
        if not (path and left_by_a_system(inventory.folder, path)):
            inventory.say([Finding(FindingKind.UNREADABLE, reason, path)])


def _say_unlisted(bag: Bag, inventory: Inventory) -> None:
    """Report files that a manifest does not list: since 1.0 each manifest lists every file."""
    contents = inventory.contents
    for paths, what in ((contents.files, ""), (contents.links, "a link"), (contents.others, "not a file")):
        for path in paths:
            is_unlisted = path.startswith(f"{PAYLOAD}/") and not _is_listed(inventory, path)
            if is_unlisted and not left_by_a_system(bag.path, path):
                inventory.say([Finding(FindingKind.UNLISTED, what, path)])
    if bag.version >= (1, 0):
        _say_listed_in_part(bag, inventory)
    if ENTRIES in contents.files:
        _say_not_vouched_for(bag, inventory)


def _say_not_vouched_for(bag: Bag, inventory: Inventory) -> None:
    """Report lists of a bag of ours that no tag manifest lists: a change in them would not be found.

    RFC 8493, section 2.2.1, only advises listing them, so it is not required of others' bags.
    """
    listed = {path for manifest in bag.tag_manifests for path in manifest.digests}
    for path in (BAGIT_TXT, BAG_INFO, ENTRIES, PAYLOAD_XXH128):
        if listed and path in inventory.contents.files and path not in listed:
            detail = "in no tag manifest: nothing would tell if it were changed"
            inventory.say([Finding(FindingKind.UNLISTED, detail, path)])


def _say_listed_in_part(bag: Bag, inventory: Inventory) -> None:
    for path, expected in inventory.payload.items():
        lists_it = {one.manifest.name for one in expected}
        lacking = [shown(one.name) for one in bag.manifests if one.name not in lists_it]
        if lacking:
            inventory.say([Finding(FindingKind.UNLISTED, f"not in {', '.join(lacking)}", path)])


def _is_listed(inventory: Inventory, path: str) -> bool:
    """Return whether a path on the disk is in a manifest or the journal, or was refused as such."""
    named = path in inventory.payload or path in inventory.waiting
    return named or (FindingKind.MALFORMED, path) in inventory.said
