"""A batch of files from a drive, sorted: what is new, what is there already, what its bag does not list."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from manifests.bags.builder import Content
from manifests.bags.entries import Entry
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame
from transfer.archive.shelf import Shelf
from transfer.engine.bag.open import Arrival
from transfer.engine.copy.batch import Written
from transfer.jobs.file.items import Refusal, not_filed
from transfer.jobs.file.planning import Found, Planned, Planner, There, stands_for
from transfer.jobs.file.skies import Seen


@dataclass(slots=True)
class Sorting:
    """Where each file of a batch goes; nothing is moved by it. The caller keeps other threads from the shelf.

    `coming` are new files, by bag; `grown` those that take the place of their older part; `arrived` gives
    the files by their places in the archive; `dropped` are the parts that are not needed.
    """

    shelf: Shelf
    planner: Planner
    skies: Mapping[Frame, Seen]
    found: Found
    drive_id: str | None
    coming: dict[str, list[Arrival]] = field(default_factory=lambda: defaultdict(list))
    grown: list[tuple[str, Arrival]] = field(default_factory=list)
    arrived: dict[str, Planned] = field(default_factory=dict)
    there: list[There] = field(default_factory=list)
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
        to = "" if planned.claimed else self._there(planned, content)
        if to:
            self.there.append(There(planned, to))
            self.dropped.append(written.part)
            return
        self._give_place(planned, written, content)

    def refuse_names(self, bag: str, reasons: Mapping[str, str]) -> None:
        """Take back files whose names, by path in a bag, the archive's disk refuses."""
        for path, reason in reasons.items():
            self.refusals.append(not_filed(self.arrived.pop(f"{bag}/{path}").item.shown, reason))

    def _refuse(self, planned: Planned, detail: str) -> None:
        shown = planned.item.shown
        self.refusals.append(Refusal(shown, Finding(FindingKind.CHANGED, detail, shown)))

    def _there(self, planned: Planned, content: Content) -> str:
        """Return where the archive has this content, be it from a file that came a moment ago."""
        sha256 = content.digests.sha256
        for place in (self._contents.get(sha256), self.shelf.new(sha256)):
            if place is not None and stands_for(planned, *place):
                return "/".join(place)
        return self.planner.there(planned, sha256, content.size_bytes, self.found)

    def _give_place(self, planned: Planned, written: Written, content: Content) -> None:
        if not planned.claimed:
            listed = self.shelf.listed(planned.bag)
            lost = listed.has_lost(planned.path, content.digests.sha256)
            grown = listed.grew_into(planned.path, written.part, content.size_bytes)
            planned.replaces = lost or grown
            planned.claimed = planned.path if planned.replaces else listed.claim(planned.path)
        arrival = Arrival(written.part, self._entry(planned, written, content), planned.replaces)
        self.arrived[f"{planned.bag}/{planned.claimed}"] = planned
        self._contents.setdefault(content.digests.sha256, (planned.bag, planned.claimed))
        if planned.replaces:
            self.grown.append((planned.bag, arrival))
        else:
            self.coming[planned.bag].append(arrival)

    def _entry(self, planned: Planned, written: Written, content: Content) -> Entry:
        item, known = planned.item, planned.item.entry
        seen = None if item.frame is None else self.skies.get(item.frame)
        entry = Entry(
            path=planned.claimed,
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
            drive=self.drive_id,
        )
        own = (*content.inspection.findings, *written.read.findings) if known is None else known.findings
        wrong_sky = () if seen is None or seen.disagreement is None else (seen.disagreement,)
        findings = dict.fromkeys((*own, *planned.findings, *wrong_sky, *_renamed(planned)))
        planned.said = tuple(findings)
        return replace(entry, findings=planned.said)


def _renamed(planned: Planned) -> tuple[Finding, ...]:
    """Return why a file does not have the name that it had."""
    if planned.claimed != planned.path:
        return (Finding(FindingKind.KEPT_BOTH, f"the other is {planned.path}"),)
    name = planned.item.stored.rpartition("/")[2]
    if planned.claimed.rpartition("/")[2] != name:
        return (Finding(FindingKind.NAME_CHANGED, f"filed as {planned.claimed}"),)
    return ()
