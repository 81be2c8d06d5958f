"""Where a follower and the runs beside it meet: one lock for its life, a request to hand over, how it stands.

All three lie in this computer's records. The system lets go of a lock when its process ends, however it
ends: a follower that was killed holds nothing, and a request whose run died is no request.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from transfer.engine.medium import Medium
from transfer.errors import Busy, DriveFailed
from transfer.events import Listener, Waiting
from transfer.stop import Stop

FORMAT = 1
# A follower finishes its present file, reads it back, and writes the lists of a night.
PATIENCE_S = 90.0
_LOOK_S = 0.1
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

    def keep_state(self, state: Mapping[str, Any]) -> None:
        """Keep how the follower stands, for `now`. Never raises: a full disk ends no night."""
        path = self._folder / _STATE
        part = path.with_name(f"{_STATE}.part")
        with contextlib.suppress(OSError):
            part.write_text(json.dumps({"format": FORMAT, **state}), encoding="ascii")
            part.replace(path)

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

        Raises Busy where it does not answer.
        """
        if not self.is_followed():
            return False
        request = self._create_and_lock(_REQUEST)
        try:
            listen(Waiting("A follower is at work", patience_s))
            if not self._has_let_go(stop, patience_s):
                raise self._hangs()
        finally:
            if request is not None:
                os.close(request)
                with contextlib.suppress(OSError):
                    (self._folder / _REQUEST).unlink(missing_ok=True)
        return True

    def _has_let_go(self, stop: Stop, patience_s: float) -> bool:
        return _wait_until(lambda: not self.is_followed(), stop, patience_s)

    def _hangs(self) -> Busy:
        state = self.state()
        number, began = state.get("process"), state.get("began_utc")
        which = f" (process {number}, since {began})" if number else ""
        command = f"taskkill /F /PID {number}" if os.name == "nt" else f"kill -9 {number}"
        how = f", here with: {command}" if number else ""
        step = (
            f"End it{how}; a drive that does not answer is pulled first and plugged in again. "
            "Then send again: what it proved is kept."
        )
        return Busy(f"The follower{which} does not let go of the drive", self._folder, step)


def _wait_until(is_so: Callable[[], bool], stop: Stop, patience_s: float) -> bool:
    waited_s = 0.0
    while not is_so():
        if waited_s >= patience_s or stop.why:
            return False
        stop.pause(_LOOK_S)
        waited_s += _LOOK_S
    return True
