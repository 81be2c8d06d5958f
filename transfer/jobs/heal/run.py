"""The job: write damaged and missing files of an archive again, from copies that prove themselves now."""

from __future__ import annotations

from contextlib import ExitStack, closing
from dataclasses import dataclass, field, replace
from pathlib import Path

from manifests.bags.bag import NotABag, read_bag
from manifests.bags.paths import PAYLOAD
from manifests.bags.verify import FileRead, Verification, expected_bytes, verify
from manifests.findings import Finding, FindingKind
from manifests.index.found_bags import bags_of
from transfer.archive.bags import ArchiveBag
from transfer.archive.contents import brought_up_to_date, holdings_of
from transfer.archive.healing import Donor, Healer, NotHealed
from transfer.archive.healing_lists import mend_tag_files, write_lists_again
from transfer.archive.held import OpenArchive, archive_failure, held_archive, read_archive_mark
from transfer.archive.proofs import KeptProofs
from transfer.archive.recovering import recover
from transfer.archive.rereading import Readings, keep_in
from transfer.archive.shelf import Shelf
from transfer.archive.whereabouts import no_archive, on_network
from transfer.config import Archive
from transfer.engine.bag.cold_reading import ColdReader
from transfer.engine.bag.tag_files import LISTS, wrong_tag_files
from transfer.engine.medium import Evidence, PinnedFolder, ReadBack
from transfer.engine.resting import let_rest
from transfer.engine.sizes import Sizes
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, NotThere
from transfer.events import BytesDone, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.heal.outcome import HealedBag, HealOutcome

_WAIT_S = 60.0


@dataclass(frozen=True, slots=True)
class HealRequest:
    """What a person asked for: the archive to heal, one `bag` of it alone if named, and where copies are."""

    archive: Archive
    donor: Archive
    bag: str = ""


def heal(request: HealRequest, around: Surroundings) -> HealOutcome:
    """Heal an archive. Raises NightferryError where it or the donor cannot be used at all."""
    root, other = request.archive.folder, request.donor.folder
    if root.resolve() == other.resolve():
        raise ConfigurationError("An archive cannot be healed from itself", root, "Name another with --from.")
    if read_archive_mark(root) is None:
        raise no_archive(root)
    try:
        with ExitStack() as held:
            donor = _donor(request.donor, around, held)
            archive = held.enter_context(held_archive(root, around, wait_s=_WAIT_S))
            try:
                return _Healing(archive, donor, request, around).outcome()
            except OSError as error:
                raise archive_failure(error, root) from error
    finally:
        let_rest([root, other])


def _donor(named: Archive, around: Surroundings, held: ExitStack) -> Donor:
    """Open an archive, or a drive with bags, for reading. Raises NotThere."""
    root = named.folder
    try:
        folder: PinnedFolder = around.medium.pin(root)
        held.callback(folder.close)
        if not bags_of(root).bags:
            step = "Name an archive, or a drive with nights on it."
            raise NotThere("There is no bag to heal from", root, step)
        holdings = held.enter_context(holdings_of(folder, may_write=False, on_network=on_network(root)))
    except OSError as error:
        step = "Connect and mount what it is on."
        raise NotThere(f"It is not there, or cannot be read ({error.strerror})", root, step) from error
    return Donor(named.label, folder, holdings)


@dataclass(slots=True)
class _Healing:
    """One run, while the archive is held."""

    archive: OpenArchive
    donor: Donor
    request: HealRequest
    around: Surroundings
    evidence: list[Evidence] = field(default_factory=list)

    def outcome(self) -> HealOutcome:
        archive, around = self.archive, self.around
        findings = recover(archive, Shelf(archive, around.clock))
        bags = []
        for bag in [self.request.bag] if self.request.bag else self._harmed():
            if around.stop.why:
                break
            bags.append(self._bag(bag))
        if any(bag.healed or bag.lists_written or bag.tag_files for bag in bags):
            findings += brought_up_to_date(archive.folder, on_network=archive.on_network)
        return HealOutcome(
            archive=self.request.archive.label,
            donor=self.donor.name,
            bags=tuple(bags),
            findings=tuple(findings),
            from_medium=all(one.read_back is ReadBack.MEDIUM for one in self.evidence),
            stopped=around.stop.why,
        )

    def _harmed(self) -> list[str]:
        """Return the bags with damage that is known, or shows without a file being read."""
        return [bag for bag in bags_of(self.archive.root).bags if self._is_harmed(bag)]

    def _is_harmed(self, bag: str) -> bool:
        listed = ArchiveBag(self.archive.folder, bag)
        listed.load(lambda _: None)
        if listed.damage or listed.is_torn or KeptProofs(listed).damaged or wrong_tag_files(listed):
            return True
        sizes = Sizes(self.archive.folder)
        return any(sizes.of(listed.at(path)) != held.size_bytes for path, held in listed.held.items())

    # One bag

    def _bag(self, bag: str) -> HealedBag:
        """Read a bag whole, and write again what does not hold."""
        root, files = self.archive.root / bag, list[FileRead]()
        try:
            mended = mend_tag_files(self.archive, bag, self.donor.folder)
            lists_written = self._lists_written(bag)
            before = self._verified(root, None, files)
            if not lists_written and any(finding.path in LISTS for finding in before.findings):
                lists_written = not write_lists_again(self.archive, bag)
                files.clear()  # which files differ from their lists is known only now
                before = self._verified(root, None, files)
        except (NotABag, OSError) as error:
            gone = Finding(FindingKind.UNREADABLE, f"it is no bag any more ({error})", str(root))
            return HealedBag(root, findings=(gone,))
        wrong = {each.path: each.wrong for each in files if each.wrong}
        missing = [one.path for one in before.missing if one.path.startswith(f"{PAYLOAD}/")]
        wrong |= dict.fromkeys(missing, "it is not there")
        listed = ArchiveBag(self.archive.folder, bag)
        listed.load(lambda _: None)
        not_mended = tuple(NotHealed(*each) for each in mended.not_whole.items())
        if listed.damage:
            why = f"its lists are damaged ({listed.damage}): set its folder aside, file from another archive"
            return HealedBag(
                root, before.verified, not_healed=(NotHealed("", why), *not_mended), findings=_whole(before)
            )
        from_medium = self.evidence[-1].read_back is ReadBack.MEDIUM
        keep_in(self.archive, bag, Readings(files, missing, self.around.clock(), from_medium))
        healer = self._healer(bag)
        healer.end_earlier(bag, {each.path for each in files if not each.wrong})
        sizes = [listed.held[path].size_bytes for path in wrong if path in listed.held]
        self.around.listen(PhaseBegan(Phase.COPYING, bag, sum(sizes)))
        healed, left = healer.heal(bag, wrong) if wrong else ([], [])
        self.around.listen(PhaseEnded(Phase.COPYING, bag))
        return HealedBag(
            path=root,
            read=before.verified,
            healed=tuple(healed),
            not_healed=(*left, *not_mended),
            lists_written=lists_written,
            tag_files=mended.as_written,
            # The others were read above, and those that were put in place are read back there.
            findings=_whole(self._verified(root, (), [])),
            complete=before.complete,
        )

    def _lists_written(self, bag: str) -> bool:
        """Write a bag's lists again where they are not what was written; return whether that was done."""
        listed = ArchiveBag(self.archive.folder, bag)
        wrong = listed.is_torn or not LISTS.isdisjoint(wrong_tag_files(listed))
        return wrong and not write_lists_again(self.archive, bag)

    def _healer(self, bag: str) -> Healer:
        def on_bytes(count: int) -> None:
            self.around.listen(BytesDone(Phase.COPYING, bag, count))

        stop = self.around.stop
        return Healer(self.archive, self.donor, self.around.clock, on_bytes, lambda: not stop.why)

    def _verified(self, root: Path, only: tuple[str, ...] | None, files: list[FileRead]) -> Verification:
        found, label, around = read_bag(root), root.name, self.around
        around.listen(PhaseBegan(Phase.CHECKING, label, 0 if only == () else expected_bytes(found)))
        with closing(ColdReader(around.medium, root)) as reader:
            verified = verify(
                found,
                reader.read,
                lambda count: around.listen(BytesDone(Phase.CHECKING, label, count)),
                lambda: not around.stop.why,
                only,
                files.append,
            )
            if only is None:
                self.evidence.append(reader.evidence())
        around.listen(PhaseEnded(Phase.CHECKING, label))
        return verified


def _whole(verified: Verification) -> tuple[Finding, ...]:
    """Return a bag's findings with whole paths."""
    return tuple(replace(one, path=str(verified.path / one.path)) for one in verified.findings)
