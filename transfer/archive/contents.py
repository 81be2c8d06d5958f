"""What the archive has already, by content: from its index, or from its bags where there is no index."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from manifests.findings import Finding, FindingKind
from manifests.frames.names.places import KnownTarget
from manifests.index.faults import IndexFault
from manifests.index.found_bags import bags_of
from manifests.index.holdings import Holding, holdings
from manifests.index.names import names
from manifests.index.opening import open_index
from manifests.index.rebuilding import BroughtUpToDate, bring_up_to_date
from manifests.index.refreshing import refresh
from manifests.index.schema import INDEX_NAME
from manifests.index.scratch import scratch_folder
from manifests.index.targets import targets
from transfer.archive.naming import InUse
from transfer.engine.medium import PinnedFolder


@dataclass(slots=True)
class Holdings:
    """Asks an index for the contents of files. It is opened for each question, so that any thread may ask.

    `findings` say what is wrong with the index.
    """

    path: Path
    findings: list[Finding] = field(default_factory=list)

    def of(self, digests: Iterable[str]) -> dict[str, tuple[Holding, ...]]:
        """Return the places where each content (SHA-256, hexadecimal) lies, as far as the index knows."""
        wanted = set(digests)
        if not wanted:
            return {}
        try:
            with open_index(self.path) as index:
                found = {digest: holdings(index, digest) for digest in wanted}
        except IndexFault as fault:
            self.findings.append(_behind(fault))
            return {}
        return {digest: places for digest, places in found.items() if places}

    def in_use(self) -> InUse:
        """Return the names that the archive uses for targets, filters and cameras."""
        try:
            with open_index(self.path) as index:
                used, rows = names(index), list(targets(index))
        except IndexFault as fault:
            self.findings.append(_behind(fault))
            return InUse()
        placed = [
            KnownTarget(row.target, row.ra_deg, row.dec_deg, row.field_deg)
            for row in rows
            if row.target is not None and row.ra_deg is not None and row.dec_deg is not None
        ]
        return InUse(used.targets, used.filters, used.cameras, placed)


@contextmanager
def holdings_of(folder: PinnedFolder, *, may_write: bool, on_network: bool = False) -> Iterator[Holdings]:
    """Yield what an archive has; its index is brought up to date first, where this run may write to it.

    Where the index cannot be used, another is made for this run alone.
    """
    archive = folder.path
    found: list[Finding] = []
    try:
        if may_write:
            found += brought_up_to_date(folder, on_network=on_network)
        open_index(archive / INDEX_NAME).close()
        usable = not any(finding.kind is FindingKind.INDEX_BEHIND for finding in found)
    except IndexFault as fault:
        usable = False
        if may_write:
            found.append(_behind(fault))
    if usable:
        yield Holdings(archive / INDEX_NAME, found)
        return
    with scratch_folder() as own:
        path = own / INDEX_NAME
        with open_index(path, write=True, on_network=True) as index:
            refresh(index, bags_of(archive))
        yield Holdings(path, found)


def brought_up_to_date(folder: PinnedFolder, *, on_network: bool) -> list[Finding]:
    """Bring the archive's index up to date; return findings about it and the bags. Never raises.

    The index is opened by its path: where the archive has left, that leads onto the disk beneath.
    """
    archive = folder.path
    if not folder.still_there():
        return [Finding(FindingKind.INDEX_BEHIND, "the archive left", str(archive / INDEX_NAME))]
    try:
        done = bring_up_to_date(archive, on_network=on_network)
    except IndexFault as fault:
        return [_behind(fault)]
    except OSError as error:
        detail = error.strerror or str(error)
        return [Finding(FindingKind.INDEX_BEHIND, detail, str(archive / INDEX_NAME))]
    return [*_told(done), *(_whole(archive, finding) for finding in done.refreshed.findings)]


def _told(done: BroughtUpToDate) -> Iterator[Finding]:
    aside = done.set_aside
    if aside is not None:
        detail = f"{aside.reason}; it was built again from the bags"
        yield Finding(FindingKind.CHANGED, detail, str(aside.path))


def _whole(archive: Path, finding: Finding) -> Finding:
    return Finding(finding.kind, finding.detail, str(archive / finding.path))


def _behind(fault: IndexFault) -> Finding:
    return Finding(FindingKind.INDEX_BEHIND, f"{fault.happened}. {fault.next_step}".strip(), str(fault.path))
