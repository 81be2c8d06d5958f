"""What a person's words make of a frame: its entry and its place, as if the header had said so."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from manifests.bags.corrections import Correction, Said, Words
from manifests.bags.entries import Entry
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.frame_sky import FrameSky
from manifests.frames.frame_types import frame_type_of, stage_words_of
from manifests.frames.nights import date_findings
from manifests.frames.stages import stage_of
from transfer.archive.dating import Dating, HeaderUnread
from transfer.archive.layout import ArchivePlace, place_of, why_with_its_night
from transfer.archive.naming import Namer, Names
from transfer.archive.skies import Skies
from transfer.jobs.amend.choosing import Listed

# Findings that a person's word answers.
_OF_TARGET = frozenset((FindingKind.NO_TARGET, FindingKind.POINTED_ELSEWHERE))
_OF_TYPE = frozenset((FindingKind.NO_TYPE,))
_OF_NIGHT = frozenset(
    (
        FindingKind.NO_DATE,
        FindingKind.DATE_WITHOUT_TIME,
        FindingKind.LOCAL_TIME,
        FindingKind.DATE_IN_DOUBT,
        FindingKind.DATE_FAR_OFF,
        FindingKind.SITE_ELSEWHERE,
    )
)
_OF_TIME = frozenset(
    (
        FindingKind.ALTITUDE_WRONG,
        FindingKind.AIRMASS_WRONG,
        FindingKind.BELOW_HORIZON,
        FindingKind.LIGHT_BY_DAY,
    )
)
_OF_HEADER = _OF_TARGET | _OF_TYPE | _OF_NIGHT | _OF_TIME

_NO_TARGET_OF = "has no target: only lights have one"
_NO_FILTER_OF = "has no filter: only lights and flats have one"
_TYPE_FIRST = "its type is not known: say its --type as well"


class CannotAmend(Exception):
    """Why what was said makes no sense for a frame."""


@dataclass(frozen=True, slots=True)
class Amended:
    """A frame as it is after what was said: its entry, still at its old path, and the place it belongs to.

    `place` is None where it stays whatever today's rules say. `said` was said of it before.
    """

    listed: Listed
    entry: Entry
    place: ArchivePlace | None
    said: Said
    correction: Correction


@dataclass(frozen=True, slots=True)
class Amender:
    """Amends frames of the archive at `root` by what a person says, at `now`."""

    root: Path
    words: Words
    namer: Namer
    dating: Dating
    skies: Skies
    now: datetime

    def amended(self, listed: Listed, said: Said) -> Amended:
        """Return what becomes of a frame of which `said` was said before. Raises CannotAmend."""
        entry, words = listed.entry, self.words
        correction = Correction(entry.digests.sha256, words, self.now, _was(listed))
        in_force = Said((*said.corrections, correction)).in_force
        if words.as_headers_say:
            new, place = self._as_headers_say(listed, said)
        elif words == Words(in_use=words.in_use, because=words.because):
            new, place = entry, None
        else:
            new, place = self._as_said(entry)
        in_use = new.in_use if words.in_use is None else words.in_use
        findings = (*_without(new.findings, {FindingKind.AMENDED}), *_told(in_force))
        return Amended(listed, replace(new, in_use=in_use, findings=findings), place, said, correction)

    def meet(self, chosen: Iterable[Listed]) -> None:
        """Learn where the named targets among the frames are, before those without a name are placed."""
        self.namer.meet(listed.entry.frame for listed in chosen if listed.entry.frame is not None)

    # As a person says

    def _as_said(self, entry: Entry) -> tuple[Entry, ArchivePlace]:
        frame, night = self._frame_as_said(entry), self.words.night or entry.night
        if self.words.night is not None and not _may_be_of(frame.begun_utc, night):
            frame = replace(frame, begun_utc=None)
        names = self._names(entry, frame, night)
        answered = self._answered(entry, frame)
        found = names.findings if self.words.frame_type is not None else ()
        found = _without(found, _OF_TARGET) if self.words.target is not None else found
        new = replace(
            entry,
            night=night,
            frame=frame,
            target=names.target,
            filter=names.filter,
            sky=self._sky(entry, frame),
            findings=tuple(dict.fromkeys((*_without(entry.findings, answered), *found))),
        )
        return new, place_of(frame, names, night, _stored(entry))

    def _frame_as_said(self, entry: Entry) -> Frame:
        """Return a frame's facts with the person's words in place of the header's. Raises CannotAmend."""
        words, frame = self.words, entry.frame or Frame()
        if words.frame_type is not None:
            kind = frame_type_of(words.frame_type)
            stage = stage_of(kind, stage_words_of(words.frame_type))
            made = None if stage is Stage.RAW else stage
            frame = replace(frame, frame_type=kind, image_type=words.frame_type, stage=made)
        elif frame.frame_type is None:
            raise CannotAmend(_TYPE_FIRST)
        if words.target is not None:
            if frame.frame_type is not FrameType.LIGHT:
                raise CannotAmend(f"a {frame.frame_type} {_NO_TARGET_OF}")
            frame = replace(frame, object_name=words.target)
        if words.filter is not None:
            if frame.frame_type not in (FrameType.LIGHT, FrameType.FLAT):
                raise CannotAmend(f"a {frame.frame_type} {_NO_FILTER_OF}")
            frame = replace(frame, filter_name=words.filter)
        return frame

    def _names(self, entry: Entry, frame: Frame, night: date) -> Names:
        """Return a frame's names; what filing decided stays where nothing else was said of it."""
        names, words = self.namer.names(frame, night), self.words
        same_type = entry.frame is not None and entry.frame.frame_type is frame.frame_type
        if same_type and words.target is None and entry.target is not None:
            names = replace(names, target=entry.target)
        if same_type and words.filter is None and entry.filter is not None:
            names = replace(names, filter=entry.filter)
        return names

    def _answered(self, entry: Entry, frame: Frame) -> frozenset[FindingKind]:
        words, answered = self.words, frozenset[FindingKind]()
        if words.target is not None or words.frame_type is not None:
            answered |= _OF_TARGET
        if words.frame_type is not None:
            answered |= _OF_TYPE
        if words.night is not None:
            answered |= _OF_NIGHT
        if entry.frame is not None and entry.frame.begun_utc != frame.begun_utc:
            answered |= _OF_TIME
        return answered

    def _sky(self, entry: Entry, frame: Frame) -> FrameSky | None:
        if frame.frame_type is not FrameType.LIGHT:
            return None
        if entry.sky is None:
            return self.skies.look([frame])[frame].sky
        if frame.begun_utc is None and entry.frame is not None and entry.frame.begun_utc is not None:
            return FrameSky(entry.sky.ra_deg, entry.sky.dec_deg)
        return entry.sky

    # As its header says

    def _as_headers_say(self, listed: Listed, said: Said) -> tuple[Entry, ArchivePlace]:
        """Return a frame as filing would make it today. Raises CannotAmend."""
        entry = listed.entry
        try:
            inspection = self.dating.look(self.root / listed.place)
        except HeaderUnread as error:
            raise CannotAmend(str(error)) from error
        frame = inspection.frame
        night, of_site = self.dating.night_again(frame, said.first_night or entry.night)
        names = None if frame is None else self.namer.names(frame, night)
        seen = None if frame is None else self.skies.look([frame]).get(frame)
        disagreement = () if seen is None or seen.disagreement is None else (seen.disagreement,)
        of_names = () if names is None else names.findings
        dated = date_findings(inspection, night, entry.modified_ns)
        told = (*inspection.findings, *dated, *of_site, *of_names, *disagreement, *why_with_its_night(frame))
        kept = _without(entry.findings, _OF_HEADER)
        new = replace(
            entry,
            night=night,
            frame=frame,
            target=None if names is None else names.target,
            filter=None if names is None else names.filter,
            sky=None if seen is None else seen.sky,
            in_use=True,
            findings=tuple(dict.fromkeys((*kept, *(one for one in told if one.kind in _OF_HEADER)))),
        )
        return new, place_of(frame, names, night, _stored(entry))


def _may_be_of(begun_utc: datetime | None, night: date) -> bool:
    """Return whether an exposure that began then may be of a night, at whatever longitude."""
    if begun_utc is None:
        return True
    noon = datetime(night.year, night.month, night.day, 12, tzinfo=UTC)
    try:
        return noon - timedelta(hours=12) <= begun_utc < noon + timedelta(hours=36)
    except OverflowError:  # at the end of the calendar
        return True


def _stored(entry: Entry) -> str:
    """Return source and path of a frame where it came from; one without a name has that of its place."""
    name = entry.original.rpartition("/")[2].strip(" .") and entry.original
    return f"{entry.source}/{name or entry.path.rpartition('/')[2]}"


def _without(findings: Iterable[Finding], kinds: Iterable[FindingKind]) -> tuple[Finding, ...]:
    left_out = frozenset(kinds)
    return tuple(finding for finding in findings if finding.kind not in left_out)


def _was(listed: Listed) -> dict[str, str]:
    entry = listed.entry
    said = {
        "path": listed.place,
        "target": entry.target,
        "filter": entry.filter,
        "type": entry.frame.image_type or entry.frame.frame_type if entry.frame is not None else None,
        "night": entry.night.isoformat(),
    }
    return {name: str(value) for name, value in said.items() if value is not None}


def _told(words: Words) -> tuple[Finding, ...]:
    """Return the finding that tells, in every list, what the person has said of a frame."""
    said = {"target": words.target, "filter": words.filter, "type": words.frame_type, "night": words.night}
    parts = [f"{what} {value}" for what, value in said.items() if value is not None]
    parts += ["not in use"] if words.in_use is False else []
    if not parts:
        return ()
    because = f": {words.because}" if words.because else ""
    return (Finding(FindingKind.AMENDED, f"{', '.join(parts)}{because}"),)
