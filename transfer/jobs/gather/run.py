"""The job: lay out a target's lights, and the calibration frames that fit them, in a folder for processing.

The archive is only read. A frame that lies in the folder already stays where it is, and nothing there is
ever overwritten.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from manifests.findings import Finding, FindingKind
from manifests.frames.calibration.tolerances import Tolerances
from transfer.archive.notes import Tell
from transfer.archive.notes import nobody as nobody_asks
from transfer.archive.questions import browsed
from transfer.archive.typed_names import NameTables
from transfer.engine.medium import Medium, PinnedFolder, ReadBack
from transfer.events import Listener, nobody
from transfer.jobs.gather.archive_frames import ArchiveFrame
from transfer.jobs.gather.cloning import CloneRun, can_clone
from transfer.jobs.gather.copying import CopiedFrames, CopyRun
from transfer.jobs.gather.folder import check_folder, held_folder
from transfer.jobs.gather.linking import Linked, link
from transfer.jobs.gather.matching import MatchedFrames, match
from transfer.jobs.gather.outcome import GatherOutcome, How, LaidOut
from transfer.jobs.gather.placing import InFolder, Placing, look_into, place
from transfer.jobs.gather.report import write_tables
from transfer.jobs.gather.request import GatherRequest, Means
from transfer.jobs.gather.selection import Selection, select
from transfer.stop import Stop

_LINKS_BECAUSE = "this file system cannot make copies that take no room"

# Damage that a person should know of before processing a frame.
_DAMAGE = frozenset(
    (
        FindingKind.HEADER_UNREADABLE,
        FindingKind.DATA_CUT_SHORT,
        FindingKind.DATASUM_WRONG,
        FindingKind.CHECKSUM_WRONG,
        FindingKind.COMPRESSION_DAMAGED,
    )
)


@dataclass(frozen=True, slots=True)
class Gathering:
    """One run of `gather`: the archive's folder, the person's own names and limits, and what it works with.

    `config_file` is the configuration that names the archive's folder, if one does.
    `listen` gets the progress in bytes, `tell` notes on the archive's index.
    """

    root: Path
    own: NameTables
    tolerances: Tolerances
    request: GatherRequest
    medium: Medium
    stop: Stop
    listen: Listener = nobody
    tell: Tell = nobody_asks
    config_file: Path | None = None

    def run(self) -> GatherOutcome:
        """Lay out what was asked for; with `dry_run`, only find what would be.

        Raises NothingToGather, ConfigurationError, NotThere, DoesNotFit, Busy and DriveFailed.
        """
        into = self.request.folder
        if into is not None:
            check_folder(into, self.root, self.config_file)
        with browsed(self.root, self.tell) as archive:
            selection = archive.ask(lambda index: select(index, self.request, self.own))
            of_bags = tuple(archive.findings)
        matched = match(self.root, selection, self.tolerances, masters_first=self.request.masters_first)
        if into is None or self.request.dry_run:
            return self._planned(selection, matched, of_bags)
        with held_folder(into, self.medium) as folder:
            placing = place(matched, look_into(folder.path), self.tolerances.rotation_deg)
            means = self._means(placing, folder)
            linked = link(placing.new, folder, means)
            shared = [at.path for at in placing.there.values() if at.shared]
            writable = [path for path in shared if not folder.make_read_only(path)] + linked.writable
            copied = self._copy(linked, folder)
            outcome = self._outcome(selection, matched, placing, linked, copied)
            outcome = replace(outcome, failures=(*of_bags, *outcome.failures), read_only=not writable)
            if means is Means.HARD_LINK and self.request.means is Means.BEST:
                outcome = replace(outcome, links_because=_LINKS_BECAUSE)
            return replace(outcome, tables=write_tables(outcome, folder))

    def _means(self, placing: Placing, folder: PinnedFolder) -> Means:
        """Return how frames are laid out: copies by default where they share the archive's blocks."""
        if self.request.means is not Means.BEST:
            return self.request.means
        return Means.COPY if can_clone(folder, placing.new) else Means.HARD_LINK

    def _planned(
        self, selection: Selection, matched: MatchedFrames, of_bags: tuple[Finding, ...]
    ) -> GatherOutcome:
        """Return what would be laid out beside what lies in the folder already."""
        into = self.request.folder
        found = InFolder(self.root) if into is None else look_into(into)
        placing = place(matched, found, self.tolerances.rotation_deg)
        outcome = self._outcome(selection, matched, placing, Linked(), CopiedFrames())
        planned = (LaidOut(each.path, each.frame, How.PLANNED) for each in placing.new)
        in_order = sorted((*outcome.laid_out, *planned), key=lambda each: matched.order[each.frame.path])
        failures = (*of_bags, *outcome.failures)
        return replace(outcome, laid_out=tuple(in_order), failures=failures, dry_run=True)

    def _copy(self, linked: Linked, folder: PinnedFolder) -> CopiedFrames:
        """Copy what could not be linked, or was to be copied: as clones as far as those can be made."""
        if not linked.to_copy:
            return CopiedFrames()
        if not can_clone(folder, linked.to_copy):
            return CopyRun(folder, self.medium, self.stop, self.listen).copy(linked.to_copy)
        cloned = CloneRun(folder, self.stop, self.listen).clone(linked.to_copy)
        copied = CopiedFrames()
        if cloned.to_copy:
            copied = CopyRun(folder, self.medium, self.stop, self.listen).copy(cloned.to_copy)
        return CopiedFrames(
            cloned.done | copied.done,
            [*cloned.failed, *copied.failed],
            [*cloned.stopped, *copied.stopped],
        )

    def _outcome(
        self,
        selection: Selection,
        matched: MatchedFrames,
        placing: Placing,
        linked: Linked,
        copied: CopiedFrames,
    ) -> GatherOutcome:
        laid_out = tuple(_laid_out(matched, placing, linked, copied))
        rows = (*selection.unmet, *matched.rows)
        absent = selection.absent_calibration if any(row.missing for row in matched.rows) else ()
        return GatherOutcome(
            target=selection.meant.name,
            how_named=selection.meant.how,
            targets=selection.meant.names,
            folder=self.request.folder,
            laid_out=laid_out,
            rows=rows,
            failures=(
                *selection.absent_lights,
                *absent,
                *matched.gone,
                *linked.failed,
                *copied.failed,
            ),
            remarks=(*selection.remarks, *placing.remarks, *_damage(each.frame for each in laid_out)),
            reasons=tuple(linked.reasons),
            read_back=_weakest(copied),
            ended=self.stop.why if copied.stopped else "",
        )


def _laid_out(
    matched: MatchedFrames, placing: Placing, linked: Linked, copied: CopiedFrames
) -> Iterable[LaidOut]:
    places = {each.frame.path: each.path for each in placing.new}
    for frame in matched.frames:
        there = placing.there.get(frame.path)
        if there is not None:
            yield LaidOut(there.path, frame, How.LINKED_BEFORE if there.shared else How.THERE_BEFORE)
        elif frame.path in linked.done:
            yield LaidOut(places[frame.path], frame, How(linked.done[frame.path].value))
        elif frame.path in copied.done:
            yield LaidOut(places[frame.path], frame, How.COPY)


def _damage(frames: Iterable[ArchiveFrame]) -> Iterable[Finding]:
    for frame in frames:
        for finding in frame.row.findings:
            if finding.kind in _DAMAGE:
                yield replace(finding, path=frame.path)


def _weakest(copied: CopiedFrames) -> ReadBack | None:
    hows = set(copied.done.values())
    if not hows:
        return None
    return ReadBack.PERHAPS_MEMORY if ReadBack.PERHAPS_MEMORY in hows else ReadBack.MEDIUM
