"""All pages of one state of the archive: each target's, each night's, and the start."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path

from manifests.index.frame_query import Between, FrameQuery, FrameRow
from manifests.index.frames import frames
from manifests.index.holdings import bags
from manifests.index.names import names
from manifests.index.nights import NightRow, logs_of_night, nights
from manifests.index.targets import TargetRow, targets
from manifests.readings.caution import CAUTION, concerns_power
from manifests.readings.happenings import GAP
from transfer.archive.nights_told import Place, night_told
from transfer.archive.questions import Browsed
from transfer.archive.typed_names import NameTables, renamed, shown_names
from transfer.config import Config
from transfer.errors import StoppedEarly
from transfer.events import CountBegan, CountDone, Listener, Phase, PhaseEnded
from transfer.page.attention import (
    Alone,
    Concern,
    concerns,
    filed_last,
    in_one_place,
    missing_calibration,
    proofs_of,
)
from transfer.page.calendar import years
from transfer.page.frames_shown import Group, frame_shown, in_groups, in_parts, is_shown
from transfer.page.night import NightPage, event_rows, reading_rows
from transfer.page.rendering import Renderer
from transfer.page.shown import archive_url, in_order, night_page, target_page
from transfer.page.target import CalibrationLibrary, TargetPage, measure_plots
from transfer.page.thumbnails import KeptThumbnails
from transfer.page.timeline import Timeline
from transfer.page.writing import START, PageWriter
from transfer.stop import Stop


@dataclass(frozen=True, slots=True)
class PageRequest:
    """What a person asked for: the folder, or None for the one beside the index; whose names, and where.

    `alone` is what lies in one place only, as far as that was asked.
    """

    out: Path | None
    config: Config
    own: NameTables
    place: Place
    now: datetime
    alone: tuple[Alone, ...] = ()


def go_on(stop: Stop, folder: Path) -> None:
    """Raise StoppedEarly where the run is to end."""
    if stop.why:
        happened = f"Ended early: {stop.why}. The page is as it was; the thumbnails made so far are kept"
        raise StoppedEarly(happened, folder, "Run nightferry page again: it goes on.")


class Building:
    """Writes all pages. `pages` counts them, and `frames` the lights that have a card."""

    def __init__(
        self, archive: Browsed, request: PageRequest, folder: Path, stop: Stop, listen: Listener
    ) -> None:
        self.writer = PageWriter(folder)
        self.pages = 0
        self.frames = 0
        self._root = archive.root
        self._index = archive.index
        self._request = request
        self._folder = folder
        self._stop = stop
        self._listen = listen
        self._renderer = Renderer()
        self._kept = KeptThumbnails(folder)
        self._shown = shown_names(archive.index, request.own)
        self._archived: dict[str, tuple[str, ...]] = {}
        for name in names(archive.index).targets:
            shown = self._shown.targets.get(name, name)
            self._archived[shown] = (*self._archived.get(shown, ()), name)
        inside = folder.resolve().is_relative_to(archive.root.resolve())
        self._archive_url = archive_url(archive.root, folder, inside=inside)

    def build(self) -> None:
        """Write everything. Raises OSError, NightferryError and IndexFault."""
        for name, content in self._renderer.look.items():
            self.writer.put(name, content)
        target_rows = sorted(targets(self._index, self._shown), key=lambda row: in_order(row.target))
        night_rows = list(nights(self._index, shown=self._shown))
        self._listen(CountBegan(Phase.PAGES, len(target_rows) + len(night_rows)))
        missing = list(missing_calibration(self._target_pages(target_rows)))
        self._put_nights(night_rows)
        self._listen(PhaseEnded(Phase.PAGES, ""))
        self._put_start(target_rows, night_rows, missing)
        self.writer.finish()

    def _put(self, name: str, template: str, **content: object) -> None:
        go_on(self._stop, self._folder)
        up = "../" * name.count("/")
        self.writer.put(name, self._renderer.page(template, up=up, archive=self._archive_url, **content))
        self.pages += 1

    def _target_pages(self, rows: list[TargetRow]) -> Iterator[TargetPage]:
        """Write the pages of all targets, and yield the first one of each."""
        request = self._request
        library = CalibrationLibrary(self._index, request.own.equipment, request.config.calibration)
        for row in rows:
            lights = list(self._lights(row.target))
            calibration = library.plan(lights)
            groups = in_groups(frame_shown(light, self._kept, self._archive_url) for light in lights)
            parts = in_parts(groups)
            self.frames += len(lights)
            part_name = _beside(partial(target_page, row.target))
            for number, part in enumerate(parts, 1):
                plots = tuple(measure_plots(part))
                told = calibration if number == 1 else ()
                page = TargetPage(row, number, len(parts), tuple(part), plots, told)
                self._put(target_page(row.target, number), "target.html", page=page, part_name=part_name)
                if number == 1:
                    yield page
            self._listen(CountDone(Phase.PAGES))

    def _lights(self, target: str | None) -> Iterator[FrameRow]:
        """Return the lights of a target by its shown name; the archive may have them under several."""
        archived = () if target is None else self._archived.get(target, (target,))
        for row in frames(self._index, FrameQuery(targets=archived)):
            if is_shown(row) and (target is not None or row.target is None):
                yield renamed(row, self._shown)

    def _put_nights(self, rows: list[NightRow]) -> None:
        dates = [None, *(row.night for row in rows), None]
        for at, row in enumerate(rows):
            part_name = _beside(partial(night_page, row.night))
            for page in self._night_pages(row, (dates[at], dates[at + 2])):
                name = night_page(row.night, page.part)
                self._put(name, "night.html", page=page, part_name=part_name, caution=_caution(page))
            self._listen(CountDone(Phase.PAGES))

    def _night_pages(self, row: NightRow, beside: tuple[date | None, date | None]) -> Iterator[NightPage]:
        of_night = FrameQuery(nights=Between(row.night, row.night))
        rows = (renamed(each, self._shown) for each in frames(self._index, of_night) if is_shown(each))
        groups = in_groups(frame_shown(each, self._kept, self._archive_url) for each in rows)
        parts = in_parts(groups)
        for number, part in enumerate(parts, 1):
            page = NightPage(row, number, len(parts), tuple(part), *beside)
            yield self._with_story(page, groups) if number == 1 else page

    def _with_story(self, page: NightPage, groups: list[Group]) -> NightPage:
        row = page.row
        place, counted = self._request.place, self._request.config.failures or (GAP,)
        told = night_told(self._index, row.night, place, counted)
        events, more_events = event_rows(told)
        return replace(
            page,
            told=told,
            timeline=Timeline(told, place, groups).drawn(),
            readings=tuple(reading_rows(told.series)),
            events=events,
            more_events=more_events,
            logs=logs_of_night(self._index, row.night),
        )

    def _put_start(
        self, target_rows: list[TargetRow], night_rows: list[NightRow], missing: list[Concern]
    ) -> None:
        request = self._request
        known = list(bags(self._index))
        proofs = list(proofs_of(self._root, known))
        since = request.now - timedelta(seconds=request.config.clear.proven_within_s)
        told = (
            *concerns(self._index, known, proofs, target_rows, since),
            *in_one_place(request.alone, {row.night for row in night_rows}),
            *missing,
        )
        self._put(
            START,
            "start.html",
            targets=target_rows,
            years=years(night_rows),
            nights=night_rows,
            filed=filed_last(proofs),
            concerns=told,
            site=request.place.name,
            today=request.now.date(),
        )


def _beside(name_of: Callable[[int], str]) -> Callable[[int], str]:
    """Return how a page refers to another part of itself, which lies in the same folder."""
    return lambda number: name_of(number).rpartition("/")[2]


def _caution(page: NightPage) -> str:
    return CAUTION if any(concerns_power(one.quantity, one.unit) for one in page.readings) else ""
