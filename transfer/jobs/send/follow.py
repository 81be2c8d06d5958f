"""Following a night: each file is carried and proven while the night runs; a plain `send` closes it."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from manifests.frames.endings import counts_as_a_frame
from manifests.frames.nights import night_of
from manifests.frames.sky.twilight import SUNSET_DEG, DarkHours, night_dark_hours
from transfer.config import Config
from transfer.config.longitude import longitude_of
from transfer.engine.changes import Changes
from transfer.engine.drive import MARK_NAME, drives_to_use
from transfer.engine.following import MeetingPlace
from transfer.engine.medium import ReadBack
from transfer.engine.program import tell_program
from transfer.engine.sources import SourceFile
from transfer.engine.standing import End, Standing, arrivals, dark_hours, missing_since, told
from transfer.engine.surroundings import Surroundings
from transfer.errors import DoesNotFit, DriveFailed, ExitCode, NightferryError, NotThere
from transfer.events import Noted
from transfer.jobs.send.ending import code_of_unseen
from transfer.jobs.send.keeping_up import OpenNight
from transfer.jobs.send.ready import SendRequest, places_to_keep_out_of
from transfer.jobs.send.survey import Survey, survey, tonight
from transfer.jobs.send.whole import WholeFiles
from transfer.words import counted, size_told

# A frame of 50 MB in six seconds, and as long to read back: a camera's download and its disk notice little.
BYTES_PER_S = 8e6
_AFTER_SUNRISE = timedelta(hours=2)
_WAIT_S = 1.0
# A bag is closed when nothing came for so long, and after so long anyway: its lists are then on the drive.
_QUIET_S = 20 * 60.0
_OPEN_S = 30 * 60.0
_DRIVES_S, _TRY_AGAIN_S = 3.0, 10.0
_FRAMES_S = 60.0
# While many files wait, what comes meanwhile is looked at now and then: `now` says when the last frame came.
_LOOK_AGAIN_S = 20.0
# A gap in which no frame comes is told to the person's program from here on, as `night` names gaps.
_LEAST_QUIET = timedelta(minutes=15)


def end_of_night(config: Config, now: datetime) -> datetime:
    """Return when following ends by itself: two hours after the next sunrise at the site.

    Where the place is not known, or the sun does not set, at the noon that ends the night there.
    """
    longitude_deg, _ = longitude_of(config, now)
    latitude_deg = None if config.site is None else config.site.latitude_deg
    night = night_of(now, longitude_deg)
    for each in (night, night + timedelta(days=1)):
        noon = datetime(each.year, each.month, each.day, 12, tzinfo=UTC) + timedelta(days=1)
        end = noon - timedelta(hours=longitude_deg / 15)
        sun = None
        if latitude_deg is not None:
            sun = night_dark_hours(each, latitude_deg, longitude_deg, SUNSET_DEG)
        if sun is not None:
            end = min(sun.dawn_utc + _AFTER_SUNRISE, end)
        if end > now:
            return end
    return end


@dataclass(slots=True)
class _Trouble:
    """What keeps drives from taking more, told once: its line, when to try again, whether one left."""

    line: str = ""
    again_s: float = 0.0
    is_gone: bool = False
    exit_code: ExitCode = ExitCode.PROVEN


class Follower:
    """Follows the sources until its end. `standing` can be asked at any time.

    `until` is when it ends by itself; `version` is this program's, for
    who reads the records with another one.
    """

    def __init__(
        self,
        config: Config,
        request: SendRequest,
        around: Surroundings,
        place: MeetingPlace,
        until: datetime,
        version: str,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._config, self._request, self._around = config, request, around
        self._place, self._until = place, until
        self._clock = clock
        self.standing = Standing(os.getpid(), version, told(around.clock()), told(until))
        self._kept: Standing | None = None
        self._whole = WholeFiles(config, around.medium, config.follow.rest_s, clock)
        self._keep_out = places_to_keep_out_of(config, request.drives)
        self._open: OpenNight | None = None
        self._opened_s = self._carried_s = 0.0
        self._drives_s = self._frames_s = 0.0
        self._volumes: list[Path] = []
        self._here: set[tuple[str, Path]] = set()
        self._trouble = _Trouble()
        self._is_quiet = self._has_more = False
        self._dark: tuple[date | None, DarkHours | None] = None, None
        self._of_night: Sequence[SourceFile] = ()
        self._proven: set[SourceFile] = set()
        self._in_journal: set[SourceFile] = set()
        self._code_of_unseen = ExitCode.PROVEN
        self._handed_over = threading.Event()

    def run(self) -> End:
        """Follow until the end; the bags are closed and the drives free when it returns.

        The caller is the only follower (`MeetingPlace.alone`).
        """
        with ExitStack() as held:
            self._handed_over = held.enter_context(self._place.requests(self._around.stop))
            self._keep_standing()  # what the follower before kept says that it has ended
            folders = [source.folder for source in self._config.sources]
            changes = Changes(folders, min(1.0, self._config.follow.rest_s), self._clock)
            held.callback(changes.close)
            held.callback(self._keep_standing)
            self._volumes = self._mounted()
            self._find_drives()
            self._say(f"Following until {self._until.astimezone():%Y-%m-%d %H:%M}.")
            end = None
            while end is None:
                self._follow(changes)
                end = self._end()
                if end is End.HANDED_OVER and not self._place.is_asked_for():
                    self._go_on()
                    end = None
            self.standing = replace(self.standing, ended_utc=told(self._around.clock()), why_ended=end.value)
            return end

    def _go_on(self) -> None:
        """Follow on: whoever asked to take over has given up, and nobody else would close the night."""
        self._handed_over.clear()
        self._around.stop.take_time()
        self._has_more = True
        self._say("The run of send that waited has given up. Following goes on.")

    def _end(self) -> End | None:
        if self._handed_over.is_set():
            return End.HANDED_OVER
        if self._around.stop.why:
            return End.STOPPED
        return End.TIME if self._around.clock() >= self._until else None

    @property
    def exit_code(self) -> ExitCode:
        """The exit code where another run takes over: that of `send` for how it stands."""
        if self._trouble.exit_code is not ExitCode.PROVEN:
            return self._trouble.exit_code
        if self.standing.did_not_fit:
            return ExitCode.DOES_NOT_FIT
        if self.standing.proven < self.standing.whole:
            return ExitCode.STOPPED_EARLY
        return self._code_of_unseen

    @property
    def trouble(self) -> str:
        """What keeps the drives from taking more, as a sentence; empty where nothing does."""
        return self._trouble.line

    def _follow(self, changes: Changes) -> None:
        try:
            while self._end() is None:
                if changes.is_time(self._next_look_s()):
                    self._look(changes)
                try:
                    self._mind_drives()
                except OSError as error:
                    self._meet(_told_by_the_system(error))
                self._mind_frames()
                self._keep_standing()
                if self._open is not None and self._is_long_open(self._open):
                    self._close()
                self._handed_over.wait(_WAIT_S)
        finally:
            self._close()

    def _next_look_s(self) -> float | None:
        if self._trouble.line:
            return self._trouble.again_s
        return self._clock() if self._has_more else self._whole.next_s()

    # Files

    def _look(self, changes: Changes) -> None:
        """Look at the sources, and carry what is whole by now."""
        self._has_more = False
        before_s = time.thread_time()
        rested = self._whole.look(self._keep_out)
        changes.looked(time.thread_time() - before_s)
        if not rested or (self._trouble.line and self._clock() < self._trouble.again_s):
            return
        around = self._around
        try:
            seen = survey(
                self._config,
                around.records,
                around.medium,
                around.clock(),
                self._keep_out,
                self._whole.has_rested,
            )
        except NotThere:
            return  # the last source that was there has left
        for night, files in self._nights_of(seen, rested).items():
            self._carry_night(seen, night, files)

    def _nights_of(self, seen: Survey, rested: Iterable[SourceFile]) -> dict[date, list[SourceFile]]:
        """Return the whole files by night, of tonight and later; earlier ones are left to the closing run.

        Of these nights `seen` has whole files alone from then on.
        """
        first = tonight(seen)
        new = set(rested)
        nights: dict[date, list[SourceFile]] = {}
        for night, files in sorted(seen.nights.items()):
            if first is None or night < first:
                for file in files:
                    self._whole.mark_done(file)
                continue
            seen.nights[night] = self._whole.only_whole(files)
            whole = [file for file in seen.nights[night] if file in new]
            if whole:
                nights[night] = sorted(whole, key=lambda file: file.modified_ns)
        return nights

    def _carry_night(self, seen: Survey, night: date, files: list[SourceFile]) -> None:
        if self._open is not None and self._open.night != night:
            self._close()
        if self._open is None:
            self._open = self._opened(seen, night)
            if self._open is None:
                return
            files = self._open.missing
        self._count(seen, self._open)
        began_s = self._clock()
        waiting_bytes = sum(file.size_bytes for file in files)
        for file in files:
            # Each byte is read at the source and read back.
            self._around.stop.keep_up_with(2 * waiting_bytes)
            waiting_bytes -= file.size_bytes
            if self._end() is not None or self._open is None:
                return
            if self._clock() - began_s >= _LOOK_AGAIN_S:
                self._has_more = True
                return
            self._carry(self._open, file)

    def _opened(self, seen: Survey, night: date) -> OpenNight | None:
        """Open a night on the drives that are there; None where there is none, or nothing to do."""
        try:
            opened = OpenNight(self._config, self._request, self._around, seen, night)
        except NightferryError as error:
            self._meet(error)
            return None
        except OSError as error:
            self._meet(_told_by_the_system(error))
            return None
        self._are_there([drive.name for drive in opened.drives])
        self._keep_out = opened.keep_out
        self._opened_s = self._carried_s = self._clock()
        for file in opened.there:
            self._whole.mark_done(file)
        if night.isoformat() != self.standing.night:
            self._proven.clear()
        self._proven |= set(opened.there)
        self._proven -= set(opened.left)
        self._in_journal.clear()
        self._count(seen, opened)
        if not opened.has_work:
            opened.close()
            return None
        self._around.stop.keep_up_with(opened.to_read_bytes)
        opened.begin()
        if opened.failure is not None:
            self._open = opened
            self._fail(opened.failure)
            return None
        if opened.left:
            since = opened.proven_since()
            self._proven |= since
            self._in_journal |= since
            self._count(seen, opened)
        return opened

    def _carry(self, opened: OpenNight, file: SourceFile) -> None:
        carried = opened.carry(file)
        if opened.failure is not None:
            self._fail(opened.failure)
            return
        if self._around.stop.why:
            return
        self._carried_s = self._clock()
        self._whole.mark_done(file)
        if carried.is_proven:
            self._proven.add(file)
            self._in_journal.add(file)
        names = " and ".join(repr(drive.name) for drive in opened.drives)
        what = f"{file.source}/{file.path} ({size_told(file.size_bytes)})"
        if carried.is_proven and opened.read_back is ReadBack.MEDIUM:
            self._say(f"{what} is proven on {names}.")
        elif carried.is_proven:
            self._say(f"{what} is compared on {names}, but perhaps from memory.")
        elif carried.did_not_fit:
            self._say(f"{what} does not fit on {names}.")
            self._tell_full(names)
        else:
            self._say(f"{what} is left to the closing run.")
        self._recount(opened)

    def _tell_full(self, names: str) -> None:
        if not self.standing.did_not_fit:
            self._tell(f"The drive {names} is full. What fits is still carried.")
        self.standing = replace(self.standing, did_not_fit=self.standing.did_not_fit + 1)

    # How it stands

    def _count(self, seen: Survey, opened: OpenNight) -> None:
        """Take over what the sources and the drives say of the night."""
        self._of_night = files = seen.nights.get(opened.night, ())
        self._code_of_unseen = code_of_unseen(seen.findings)
        last, gap_s = arrivals(files)
        if opened.night.isoformat() != self.standing.night:
            self.standing = replace(self.standing, did_not_fit=0)
        self.standing = replace(
            self.standing,
            night=opened.night.isoformat(),
            whole=len(files),
            last_frame_utc=told(last),
            usual_gap_s=round(gap_s, 1),
            drives=tuple(drive.name for drive in opened.drives),
            places=tuple(str(drive.root) for drive in opened.drives),
            gone=tuple(opened.absent),
        )
        self._recount(opened)

    def _recount(self, opened: OpenNight) -> None:
        read_back, free_bytes = opened.read_back.value, opened.free_bytes()
        self.standing = replace(self.standing, read_back=read_back, free_bytes=free_bytes)
        self._count_proven()

    def _count_proven(self) -> None:
        proven = [file for file in self._of_night if file in self._proven]
        self.standing = replace(
            self.standing,
            proven=len(proven),
            proven_frames=sum(counts_as_a_frame(file.path) for file in proven),
            proven_bytes=sum(file.size_bytes for file in proven),
        )
        self._keep_standing()

    def _keep_standing(self) -> None:
        if self.standing != self._kept and self._place.keep_state(self.standing.as_json()):
            self._kept = self.standing

    def _say(self, line: str) -> None:
        self._around.listen(Noted(line))

    def _tell(self, line: str) -> None:
        """Say a line that the person's own program is told as well."""
        self._say(line)
        tell_program(self._config.follow.tell, line)

    # Drives

    def _is_long_open(self, opened: OpenNight) -> bool:
        now = self._clock()
        return opened.is_full or now - self._carried_s >= _QUIET_S or now - self._opened_s >= _OPEN_S

    def _close(self) -> None:
        """Write the lists and let go of the drives."""
        opened, self._open = self._open, None
        if opened is None:
            return
        try:
            failure = opened.close()
        except OSError as error:
            failure = _told_by_the_system(error)
        if failure is None:
            return
        # What no list has is read back again by the next run, as far as the drive still has it.
        self._proven -= self._in_journal
        self._count_proven()
        if not self._trouble.line:
            self._meet(failure)

    def _fail(self, error: NightferryError) -> None:
        self._meet(error)
        self._close()

    def _meet(self, error: NightferryError) -> None:
        """Meet what keeps the drives from taking more: tell it once, and try again by and by."""
        line = f"{error.path}: {error.happened}." if error.path else f"{error.happened}."
        is_gone = isinstance(error, NotThere | DriveFailed)
        if is_gone:
            self._here = set()
            self.standing = replace(self.standing, gone=self.standing.drives or ("the drive",))
            self._keep_standing()
        if line != self._trouble.line:
            is_new = is_gone and not self._trouble.is_gone
            tell = self._tell if is_new or isinstance(error, DoesNotFit) else self._say
            tell(f"{line} What comes meanwhile is carried later.")
        self._trouble = _Trouble(line, self._clock() + _TRY_AGAIN_S, is_gone, error.exit_code)

    def _are_there(self, names: Sequence[str]) -> None:
        if self._trouble.line:
            self._say(f"Carrying on to {' and '.join(map(repr, names))}.")
        self._trouble = _Trouble()

    def _mounted(self) -> list[Path]:
        return sorted(volume.root for volume in self._around.medium.volumes())

    def _mind_drives(self) -> None:
        """Notice drives that leave and drives that come, without waking one."""
        now = self._clock()
        if now - self._drives_s < _DRIVES_S:
            return
        self._drives_s = now
        if self._open is not None:
            self._open.look_at_drives()
            if self._open.failure is not None:
                self._fail(self._open.failure)
        mounted = self._mounted()
        if mounted != self._volumes or (self._trouble.is_gone and now >= self._trouble.again_s):
            self._volumes = mounted
            self._find_drives()
        elif self._open is None and not self._trouble.line:
            self._miss_drives()

    def _find_drives(self) -> None:
        """Look which drives are there, before there is anything to carry."""
        try:
            found, absent = drives_to_use(self._config.drives, self._request.drives, self._around.medium)
        except NightferryError as error:
            self._meet(error)
            return
        here = {(drive.mark.id, drive.root) for drive in found}
        if not here <= self._here:  # one has come, and may lack what the others have
            self._close()
            self._whole.begin_anew()
        self._here = here
        names = tuple(drive.mark.name for drive in found)
        if self._trouble.is_gone:
            self._are_there(names)
        places = tuple(str(drive.root) for drive in found)
        self.standing = replace(self.standing, drives=names, places=places, gone=tuple(absent))

    def _miss_drives(self) -> None:
        """Notice that a drive which nothing is written to now is not where it was."""
        for place in map(Path, self.standing.places):
            if not os.path.lexists(place / MARK_NAME):
                self._meet(NotThere("The drive left", place))
                return

    def _mind_frames(self) -> None:
        """Notice that no frame comes although it is dark."""
        now_s = self._clock()
        if now_s - self._frames_s < _FRAMES_S:
            return
        self._frames_s = now_s
        now = self._around.clock()
        night = night_of(now, longitude_of(self._config, now)[0])
        if night != self._dark[0]:
            self._dark = night, dark_hours(night, self._config.site)
        quiet = missing_since(self.standing, self._dark[1], now)
        is_quiet = quiet is not None and quiet >= _LEAST_QUIET
        if is_quiet and not self._is_quiet and quiet is not None:
            minutes = counted(int(quiet.total_seconds() / 60), "minute")
            self._tell(f"No frame has come for {minutes} although it is dark.")
        self._is_quiet = is_quiet


def _told_by_the_system(error: OSError) -> NightferryError:
    return DriveFailed(f"It cannot be used ({error.strerror or error})", error.filename or "")
