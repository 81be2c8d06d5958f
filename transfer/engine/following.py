"""Where a follower and the runs beside it meet: one lock for its life, a request to hand over, how it stands.

All three lie in this computer's records. The system lets go of a lock when its process ends, however it
ends: a follower that was killed holds nothing, and a request whose run died is no request.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from transfer.engine.medium import Medium
from transfer.errors import Busy, DriveFailed, StoppedEarly
from transfer.events import Listener, Waiting
from transfer.stop import Stop

FORMAT = 1
# How long a run waits for a follower that shows no sign of work.
PATIENCE_S = 90.0
_MIND_S = 1.0
# Work that goes on was shown within so long.
_SHOWN_S = 3 * _MIND_S
_LOOK_S = 0.1
_LOOKED_AT = 5
_LOCK, _REQUEST, _STATE = "lock", "hand over", "now.json"


class MeetingPlace:
    """The folder `follow` in this computer's records."""

    def __init__(self, records_folder: Path, medium: Medium) -> None:
        self._folder = records_folder / "follow"
        self._medium = medium

    # The follower's side

    @contextlib.contextmanager
    def alone(self) -> Iterator[None]:
        """Be the only follower of these records. Raises Busy; DriveFailed where they cannot be written."""
        lock = self._create_and_lock(_LOCK)
        for _ in range(_LOOKED_AT):  # `now` looks by locking it for a moment
            if lock is None:
                time.sleep(_LOOK_S)
                lock = self._create_and_lock(_LOCK)
        if lock is None:
            step = "One is enough. To see how it stands: nightferry now"
            raise Busy("A follower is at work already", self._folder, step)
        try:
            yield
        finally:
            os.close(lock)

    def _create_and_lock(self, name: str) -> int | None:
        path = self._folder / name
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            path.touch()
            return self._medium.lock(path)
        except OSError as error:
            step = "Make room there, or name another folder under [records]."
            raise DriveFailed(f"It cannot be written ({error.strerror or error})", path, step) from error

    @contextlib.contextmanager
    def requests(self, stop: Stop) -> Iterator[threading.Event]:
        """Notice, in a thread of its own, a run that waits for this one to let go; the event then is set.

        The work goes on at full speed from then on, and that it goes on is shown to the run that waits.
        """
        asked, over = threading.Event(), threading.Event()

        def mind() -> None:
            while not over.wait(_MIND_S):
                if not asked.is_set() and self.is_asked_for():
                    asked.set()
                    stop.hurry()
                if asked.is_set() and stop.has_patience(stop.still_s()):
                    self._show_work()

        threading.Thread(target=mind, name="requests", daemon=True).start()
        try:
            yield asked
        finally:
            over.set()

    def _show_work(self) -> None:
        """Set the time of the lock, for whoever waits. Never raises."""
        with contextlib.suppress(OSError):
            os.utime(self._folder / _LOCK)

    def _work_shown(self) -> int:
        try:
            return (self._folder / _LOCK).stat().st_mtime_ns
        except OSError:
            return 0

    def is_asked_for(self) -> bool:
        """Return whether a run waits for the follower to let go. Never raises."""
        return self._is_held(_REQUEST)

    def _is_held(self, name: str) -> bool:
        """Return whether a live process holds one of the locks."""
        path = self._folder / name
        if not path.exists():
            return False
        try:
            lock = self._medium.lock(path)
        except OSError:
            return False
        if lock is not None:
            os.close(lock)
        return lock is None

    def keep_state(self, state: Mapping[str, Any]) -> bool:
        """Keep how the follower stands, for `now`; return whether that was done. Never raises.

        A full disk ends no night, and Windows replaces no file that somebody reads at this moment.
        """
        path = self._folder / _STATE
        part = path.with_name(f"{_STATE}.part")
        try:
            part.write_text(json.dumps({"format": FORMAT, **state}), encoding="ascii")
            part.replace(path)
        except OSError:
            return False
        return True

    # The side of the runs beside it

    def is_followed(self) -> bool:
        """Return whether a follower is at work. Never raises."""
        return self._is_held(_LOCK)

    def state(self) -> dict[str, Any]:
        """Return how the last follower said that it stands; empty where none did, or in another format."""
        try:
            document = json.loads((self._folder / _STATE).read_bytes())
        except (OSError, ValueError):
            return {}
        is_ours = isinstance(document, dict) and document.get("format") == FORMAT
        return document if is_ours else {}

    def take_over(self, stop: Stop, listen: Listener, patience_s: float = PATIENCE_S) -> bool:
        """Have a follower let go of the drives, and wait until it has; return whether there was one.

        What it is at work on is waited for as long as it shows that it goes on, but no longer than `stop` has
        time. Raises Busy where it does not answer in time, and StoppedEarly at a signal.
        """
        if not self.is_followed():
            return False
        listen(Waiting("A follower is at work", patience_s))
        request: int | None = None
        try:
            shown, goes_on, waited_s = self._work_shown(), False, 0.0
            while self.is_followed():
                # The follower looks by locking the request for a moment: it may take several tries.
                request = self._create_and_lock(_REQUEST) if request is None else request
                if stop.signalled:
                    step = "The follower may have let go by now. Send again: what it proved is kept."
                    raise StoppedEarly(f"Ended while waiting for the follower: {stop.why}", next_step=step)
                if waited_s >= patience_s or stop.why:
                    raise self._does_not_let_go(goes_on=goes_on and waited_s < _SHOWN_S)
                stop.pause(_LOOK_S)
                waited_s += _LOOK_S
                if shown != self._work_shown():
                    shown, goes_on, waited_s = self._work_shown(), True, 0.0
        finally:
            if request is not None:
                os.close(request)
                with contextlib.suppress(OSError):
                    (self._folder / _REQUEST).unlink(missing_ok=True)
        return True

    def _does_not_let_go(self, *, goes_on: bool) -> Busy:
        state = self.state()
        number, began = state.get("process"), state.get("began_utc")
        which = f" (process {number}, since {began})" if number else ""
        if goes_on:
            step = "It goes on by itself. Look how it stands with: nightferry now. Then send again."
            return Busy(f"The follower{which} is still at work on the drive", self._folder, step)
        command = f"taskkill /F /PID {number}" if os.name == "nt" else f"kill -9 {number}"
        how = f", here with: {command}" if number else ""
        step = (
            f"End it{how}; a drive that does not answer is pulled first and plugged in again. "
            "Then send again: what it proved is kept."
        )
        return Busy(f"The follower{which} does not let go of the drive", self._folder, step)
