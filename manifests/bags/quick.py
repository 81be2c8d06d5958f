"""Compares a bag with its files by presence, size and time only, which proves nothing."""

from __future__ import annotations

import io
from collections.abc import Iterator

from manifests.bags.containment import open_ordinary, real_file
from manifests.bags.contents import Stamp
from manifests.bags.declared import Bag
from manifests.bags.entries import Entry, EntryError, read_entries
from manifests.bags.inventory import Inventory, take_inventory
from manifests.bags.list_sizes import Allowance, bounded_lines
from manifests.bags.paths import ENTRIES, PAYLOAD
from manifests.bags.verify import Verification, oxum_findings
from manifests.findings import Finding, FindingKind

_SECOND_NS = 1_000_000_000
# FAT keeps modification times in steps of two seconds, and in local time; exFAT keeps the zone in
# quarters of an hour. Zones lie between 12 h west and 14 h east: 26 h is as far as two can be apart.
_STEP_NS = 2 * _SECOND_NS
_QUARTER_NS = 15 * 60 * _SECOND_NS
_FURTHEST_NS = 26 * 3600 * _SECOND_NS


def quick_verify(bag: Bag) -> Verification:
    """Compare presence, size and time with the bag's entries; without any, presence and Payload-Oxum.

    No payload file is opened. A file that differs in its time alone may be unchanged.
    """
    inventory = take_inventory(bag)
    differing = _differing(inventory)
    inventory.say(differing)
    if not inventory.findings:
        inventory.say(_not_the_oxum(bag, inventory))
    changed = sum(finding.kind is FindingKind.CHANGED for finding in differing)
    return Verification(
        path=bag.path,
        quick=True,
        agreed=len(inventory.payload) - changed,
        findings=tuple(inventory.findings),
    )


def _not_the_oxum(bag: Bag, inventory: Inventory) -> list[Finding]:
    try:
        size_bytes = sum(map(inventory.size_bytes, inventory.payload))
    except OSError as error:
        return [Finding(FindingKind.UNREADABLE, error.strerror or str(error), PAYLOAD)]
    return oxum_findings(bag, size_bytes, len(inventory.payload))


def _differing(inventory: Inventory) -> list[Finding]:
    """Return what differs from its entry; entries that can't be read are findings too."""
    findings: list[Finding] = []
    try:
        for entry in _entries(inventory):
            path = inventory.respelled.get(entry.path, entry.path)
            stamp = inventory.contents.files.get(path) if path in inventory.payload else None
            why = _difference(entry, stamp) if stamp else ""
            if why:
                findings.append(Finding(FindingKind.CHANGED, why, path))
    except EntryError as error:
        findings.append(Finding(FindingKind.MALFORMED, str(error), ENTRIES))
    except OSError as error:
        findings.append(Finding(FindingKind.UNREADABLE, error.strerror or str(error), ENTRIES))
    return findings


def _entries(inventory: Inventory) -> Iterator[Entry]:
    try:
        file = io.BufferedReader(open_ordinary(real_file(inventory.folder, ENTRIES)))
    except FileNotFoundError:
        return
    with file:
        allowance = Allowance(lambda: len(inventory.contents.files))
        yield from read_entries(bounded_lines(file, allowance))


def _difference(entry: Entry, stamp: Stamp) -> str:
    if stamp.size_bytes != entry.size_bytes:
        return f"is {stamp.size_bytes} bytes, not {entry.size_bytes}"
    if not same_time(stamp.modified_ns, entry.modified_ns):
        return "is as large as it was, but of another time: only a full check can tell whether it changed"
    return ""


def same_time(one_ns: int, other_ns: int) -> bool:
    """Return whether two modification times may be equal, given file systems without time zones."""
    apart_ns = abs(one_ns - other_ns)
    past_quarter_ns = apart_ns % _QUARTER_NS
    off_ns = min(past_quarter_ns, _QUARTER_NS - past_quarter_ns)
    return off_ns <= _STEP_NS and apart_ns <= _FURTHEST_NS + _STEP_NS
