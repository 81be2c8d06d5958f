"""A batch of files from a drive, sorted: new, there already, or not what its bag lists."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from manifests.bags.builder import Content
from manifests.bags.entries import Entry
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame
from manifests.index.holdings import Holding
from transfer.archive.as_proven import Look
from transfer.archive.shelf import Shelf
from transfer.archive.skies import Seen
from transfer.engine.bag.open import Arrival
from transfer.engine.copy.batch import Written
from transfer.jobs.file.items import Refusal, not_filed
from transfer.jobs.file.planning import Damaged, InArchive, Planned, Planner, stands_for

_WRITTEN_AGAIN = Finding(
    FindingKind.WRITTEN_AGAIN, "the archive's disk did not give back what was written: look at it"
)


@dataclass(slots=True)
class Sorting:
    """Where each file of a batch goes; nothing is moved by it. The caller keeps other threads from the shelf.

    `known` are the places that the index has for contents; `before` are the places that files of this run
    got when they were written for the first time, by their paths on the drive, `again` the paths of those
    that did not read back as they were written.
    `coming` are new files, by bag; `grown` those that take the place of their older part; `placed` has the
    files by their places in the archive; `dropped` are the parts that are not needed.
    """

    shelf: Shelf
    planner: Planner
    skies: Mapping[Frame, Seen]
    known: Mapping[str, tuple[Holding, ...]]
    drive_id: str | None
    before: Mapping[str, InArchive]
    again: Collection[str]
    coming: dict[str, list[Arrival]] = field(default_factory=lambda: defaultdict(list))
    grown: list[tuple[str, Arrival]] = field(default_factory=list)
    placed: dict[str, InArchive] = field(default_factory=dict)
    there: list[InArchive] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    dropped: list[str] = field(default_factory=list)
    _contents: dict[str, tuple[str, str]] = field(default_factory=dict)

    def sort(self, planned: Planned, written: Written, content: Content) -> None:
        """Sort one file. Raises OSError and NightferryError."""
        differs = planned.item.differs(content)
        if differs:
            self._refuse(planned, f"its content is not what its bag lists ({differs}): not filed")
            self.dropped.append(written.part)
            return
        before = self.before.get(planned.item.opened)
        if before is not None:
            self._place(before.planned, before.path, before.replaces, written, content)
            return
        found = self._find(planned, content)
        if isinstance(found, InArchive):
            self.there.append(found)
            self.dropped.append(written.part)
            return
        to_place = planned.instead_of(found)
        self._place(to_place, *self._claim(to_place, written, content), written, content)

    def refuse_names(self, bag: str, reasons: Mapping[str, str]) -> None:
        """Take back files whose names, by path in a bag, the archive's disk refuses."""
        for path, reason in reasons.items():
            planned = self.placed.pop(f"{bag}/{path}").planned
            self.refusals.append(not_filed(planned.item.shown, reason))

    def _refuse(self, planned: Planned, detail: str) -> None:
        shown = planned.item.shown
        finding = Finding(FindingKind.CHANGED, detail, shown)
        self.refusals.append(Refusal(shown, finding, damaged=planned.item.opened))

    def _find(self, planned: Planned, content: Content) -> InArchive | Damaged | None:
        """Return where the archive has this content, be it from a file that came a moment ago."""
        sha256 = content.digests.sha256
        for place in (self._contents.get(sha256), self.shelf.new(sha256)):
            if place is not None and stands_for(planned, *place):
                return InArchive(planned, *place)
        return self.planner.find(planned, sha256, content.size_bytes, self.known)

    def _claim(self, planned: Planned, written: Written, content: Content) -> tuple[str, bool]:
        """Return the path that a new file gets in its bag, and whether it replaces what is there."""
        listed = self.shelf.listed(planned.bag)
        look = self.shelf.look(planned.bag, planned.path, content.digests.sha256)
        if look is Look.DAMAGED or listed.grew_into(planned.path, written.part, content.size_bytes):
            return planned.path, True
        return listed.claim(planned.path), False

    def _place(self, planned: Planned, path: str, replaces: bool, written: Written, content: Content) -> None:
        entry = self._entry(planned, path, written, content)
        arrival = Arrival(written.part, entry, replaces)
        placed = InArchive(planned, planned.bag, path, entry.findings, replaces)
        self.placed[placed.to] = placed
        self._contents.setdefault(content.digests.sha256, (placed.bag, placed.path))
        if replaces:
            self.grown.append((placed.bag, arrival))
        else:
            self.coming[placed.bag].append(arrival)

    def _entry(self, planned: Planned, path: str, written: Written, content: Content) -> Entry:
        item, known = planned.item, planned.item.entry
        if planned.amended is not None:
            return replace(planned.amended, path=path, digests=content.digests)
        seen = None if item.frame is None else self.skies.get(item.frame)
        own = (*content.inspection.findings, *written.read.findings) if known is None else known.findings
        wrong_sky = () if seen is None or seen.disagreement is None else (seen.disagreement,)
        again = (_WRITTEN_AGAIN,) if item.opened in self.again else ()
        findings = dict.fromkeys((*own, *planned.findings, *again, *wrong_sky, *_renamed(planned, path)))
        return Entry(
            path=path,
            size_bytes=content.size_bytes,
            digests=content.digests,
            modified_ns=item.file.modified_ns,
            created_ns=item.file.created_ns,
            source=item.file.source,
            original=item.file.path,
            night=item.night,
            growing=written.read.growing if known is None else known.growing,
            frame=item.frame or content.inspection.frame,
            target=planned.target,
            filter=planned.filter,
            sky=None if seen is None else seen.sky,
            drive=self.drive_id or (None if known is None else known.drive),
            in_use=known is None or item.place is None or known.in_use,
            findings=tuple(findings),
        )


def _renamed(planned: Planned, path: str) -> tuple[Finding, ...]:
    """Return why a file does not have the name that it had."""
    if path != planned.path:
        return (Finding(FindingKind.KEPT_BOTH, f"the other is {planned.path}"),)
    name = planned.item.stored.rpartition("/")[2]
    if path.rpartition("/")[2] != name:
        return (Finding(FindingKind.NAME_CHANGED, f"filed as {path}"),)
    return ()
