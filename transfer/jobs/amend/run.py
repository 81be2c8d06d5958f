"""The job: frames amended by a person's words, and moved to where they then belong with their proof."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from manifests.bags.corrections import CORRECTION, LONGEST_REASON, Words
from manifests.bags.statements import Statement, read_statements, statement_line
from manifests.findings import Finding
from manifests.frames.frame_types import frame_type_of
from manifests.frames.usable import LONGEST_TEXT
from transfer.archive.bags import label_in
from transfer.archive.contents import Holdings, brought_up_to_date, holdings_of
from transfer.archive.dating import Dating
from transfer.archive.held import (
    OpenArchive,
    archive_failure,
    held_archive,
    looked_at_archive,
    read_archive_mark,
)
from transfer.archive.layout import owner_of_label
from transfer.archive.moving import Move, Mover, require_room
from transfer.archive.naming import Namer, name_sources
from transfer.archive.recovering import recover
from transfer.archive.shelf import Shelf
from transfer.archive.skies import Skies
from transfer.archive.statements import add_statements
from transfer.archive.whereabouts import no_archive
from transfer.config import Config
from transfer.engine.resting import let_rest
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, NightferryError
from transfer.events import BytesDone, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.amend.amending import Amender
from transfer.jobs.amend.choosing import Choice, Chooser
from transfer.jobs.amend.gone import Gone
from transfer.jobs.amend.outcome import AmendOutcome, FrameResult, State
from transfer.jobs.amend.planning import Change, Planner

WAIT_S = 60.0


@dataclass(frozen=True, slots=True)
class AmendRequest:
    """What a person says, and of which frames; with `dry_run` nothing is written."""

    words: Words
    choice: Choice
    dry_run: bool = False
    wait_s: float = WAIT_S


def checked_words(words: Words) -> Words:
    """Return a person's words as they are kept. Raises ConfigurationError for what cannot be meant."""
    because = _one_line(words.because)
    if len(because) > LONGEST_REASON:
        raise ConfigurationError(f"The reason is longer than {LONGEST_REASON:,} characters")
    named = {"target": words.target, "filter": words.filter, "type": words.frame_type}
    for what, written in named.items():
        if written is not None and not 0 < len(_one_line(written)) <= LONGEST_TEXT:
            raise ConfigurationError(f"This is no name of a {what}: {written!r:.80}")
    if words.frame_type is not None and frame_type_of(words.frame_type) is None:
        raise ConfigurationError(f"{words.frame_type!r:.80} is no type: light, dark, flat, bias, dark flat")
    lines = {name: None if text is None else _one_line(text) for name, text in named.items()}
    return replace(
        words, target=lines["target"], filter=lines["filter"], frame_type=lines["type"], because=because
    )


def _one_line(text: str) -> str:
    return " ".join("".join(char if char.isprintable() else " " for char in text).split())


@dataclass(slots=True)
class AmendRun:
    """One run of `amend` in the archive at `root`."""

    root: Path
    config: Config
    request: AmendRequest
    around: Surroundings
    _results: list[FrameResult] = field(default_factory=list)
    _refused: list[Finding] = field(default_factory=list)
    _findings: list[Finding] = field(default_factory=list)
    _failure: NightferryError | None = None
    _from_medium: bool = True
    _cut_short: bool = False

    def run(self) -> AmendOutcome:
        """Do it. What ends it early once it has begun is in the outcome.

        Raises ConfigurationError where nothing is meant, or what is said makes no sense, NotThere, Busy.
        """
        request = replace(self.request, words=checked_words(self.request.words))
        if read_archive_mark(self.root) is None:
            raise no_archive(self.root)
        try:
            with self._opened() as archive, ExitStack() as held:
                shelf = Shelf(archive, self.around.clock)
                held.callback(shelf.leave)
                if not request.dry_run:
                    require_room(archive)
                    self._findings += recover(archive, shelf)
                    shelf.forget()
                holdings = held.enter_context(
                    holdings_of(archive.folder, may_write=not request.dry_run, on_network=archive.on_network)
                )
                self._amend(archive, shelf, holdings, request)
                self._from_medium = shelf.all_from_medium
                if not request.dry_run:
                    self._findings += brought_up_to_date(archive.folder, on_network=archive.on_network)
        except OSError as error:
            raise archive_failure(error, self.root) from error
        finally:
            let_rest([self.root])
        return self._outcome()

    @contextmanager
    def _opened(self) -> Iterator[OpenArchive]:
        if self.request.dry_run:
            with looked_at_archive(self.root, self.around) as archive:
                yield archive
        else:
            with held_archive(self.root, self.around, wait_s=self.request.wait_s) as archive:
                yield archive

    def _amend(self, archive: OpenArchive, shelf: Shelf, holdings: Holdings, request: AmendRequest) -> None:
        chooser = Chooser(archive, shelf, holdings.path, self._refused)
        if request.words.gone:
            gone = Gone(archive, shelf, self._refused, request.words, self.around.clock())
            self._results += gone.taken_out(chooser.at(request.choice.paths), dry_run=request.dry_run)
            return
        chosen = chooser.chosen(request.choice)
        if not chosen and not self._refused:
            raise ConfigurationError("No frame of the archive is meant: nothing was changed", self.root)
        changes = Planner(archive, shelf, self._amender(request, holdings), self._refused).changes(chosen)
        new = [change for change in changes if change.is_one]
        self._results += [change.result(State.AS_IT_WAS) for change in changes if not change.is_one]
        if request.dry_run:
            self._results += [change.result(State.WOULD_BE) for change in new]
            return
        try:
            self._do(archive, shelf, new)
        except NightferryError as error:
            self._failure = error

    def _amender(self, request: AmendRequest, holdings: Holdings) -> Amender:
        sources, findings = name_sources(self.config)
        self._findings += findings
        return Amender(
            self.root,
            request.words,
            Namer(sources, holdings.in_use()),
            Dating.configured(self.config, self.around),
            Skies(self.config.site),
            self.around.clock(),
        )

    # Doing it

    def _do(self, archive: OpenArchive, shelf: Shelf, changes: Sequence[Change]) -> None:
        stay = [change for change in changes if not change.is_move]
        for bag in dict.fromkeys(change.to_bag for change in stay):
            here = [change for change in stay if change.to_bag == bag]
            if not self.around.stop.why:
                self._say(archive, here)
                shelf.amend(bag, [change.entry for change in here])
                self._results += [change.result(State.AMENDED) for change in here]
        by_move = {_move(change): change for change in changes if change.is_move}
        mover = Mover(
            archive,
            shelf,
            begin=lambda batch: self._say(archive, [by_move[move] for move in batch]),
            go_on=lambda: not self.around.stop.why,
            on_bytes=lambda count: self.around.listen(BytesDone(Phase.MOVING, str(self.root), count)),
        )
        total_bytes = sum(move.entry.size_bytes for move in by_move)
        self.around.listen(PhaseBegan(Phase.MOVING, str(self.root), total_bytes))
        try:
            mover.move(by_move)
        finally:
            self.around.listen(PhaseEnded(Phase.MOVING, str(self.root)))
            self._results += [by_move[move].result(State.AMENDED) for move in mover.moved]
            self._refused += mover.findings
        self._cut_short = bool(self.around.stop.why) and len(self._done) + len(mover.findings) < len(changes)

    @property
    def _done(self) -> list[FrameResult]:
        return [result for result in self._results if result.state is State.AMENDED]

    def _say(self, archive: OpenArchive, changes: Iterable[Change]) -> None:
        """Keep what was said of frames in the bags that will list them, with what was said before."""
        by_bag: dict[str, list[Change]] = {}
        for change in changes:
            by_bag.setdefault(change.to_bag, []).append(change)
        for bag, here in by_bag.items():
            owner = owner_of_label(label_in(archive.folder, bag) or "", bag)
            place = here[0].amended.place
            known = {statement_line(each) for each in read_statements(self.root / bag, CORRECTION).statements}
            statements = [one for change in here for one in _statements(change, known)]
            add_statements(archive, bag, owner if place is None else place.owner, statements)

    def _outcome(self) -> AmendOutcome:
        return AmendOutcome(
            root=self.root,
            frames=tuple(sorted(self._results, key=lambda result: result.path)),
            refused=tuple(self._refused),
            findings=tuple(dict.fromkeys(self._findings)),
            failure=self._failure,
            stopped=self.around.stop.why if self._cut_short else "",
            from_medium=self._from_medium,
            dry_run=self.request.dry_run,
        )


def _statements(change: Change, known: set[bytes]) -> Iterator[Statement]:
    """Return what was said of a frame, before and now, as far as its bag does not know it."""
    for correction in (*change.amended.said.corrections, change.amended.correction):
        statement = correction.as_statement()
        if statement_line(statement) not in known:
            yield statement


def _move(change: Change) -> Move:
    return Move(change.listed.bag, change.listed.entry.path, change.to_bag, change.entry)
