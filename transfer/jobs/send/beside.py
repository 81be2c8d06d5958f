"""One act for several drives at the same time, none of which may hold up or end another's."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable

from transfer.errors import DriveFailed, NightferryError, StoppedEarly, unforeseen
from transfer.jobs.send.drive_night import DriveNight, drive_failure
from transfer.stop import Stop

_LOOK_S = 0.1
# How long a drive may take for what it is at when the run has to end, before it is taken to hang: whatever
# takes long asks more often than this whether to go on.
_PATIENCE_S = 5.0


def beside(
    nights: Iterable[DriveNight],
    act: Callable[[DriveNight], None],
    stop: Stop,
    patience_s: float = _PATIENCE_S,
) -> None:
    """Do one act for every drive that is at work; an error ends that drive's night.

    When the run has to end and a drive does not answer, the others are not kept waiting for it.
    """
    threads = {
        night: threading.Thread(target=_guarded, args=(act, night), daemon=True)
        for night in nights
        if night.failure is None
    }
    for thread in threads.values():
        thread.start()
    waited_s = 0.0
    while any(thread.is_alive() for thread in threads.values()) and waited_s < patience_s:
        next(thread for thread in threads.values() if thread.is_alive()).join(_LOOK_S)
        waited_s += _LOOK_S if stop.why else 0.0
    for night, thread in threads.items():
        if thread.is_alive():
            give_up_waiting(night, stop)


def _guarded(act: Callable[[DriveNight], None], night: DriveNight) -> None:
    try:
        act(night)
    except OSError as error:
        night.failure = drive_failure(error, night.drive)
    except NightferryError as error:
        night.failure = error
    except Exception as fault:  # noqa: BLE001 - it must not end the other drives' nights
        night.failure = unforeseen(fault, night.drive.root)


def give_up_waiting(night: DriveNight, stop: Stop) -> None:
    """Take a drive to hang: the end of its night, and of the run where that had to end anyway.

    Threads are still at work on it, or in the hands of the system: nothing of it may be touched any more.
    """
    night.hangs = True
    step = "Pull it, plug it in again, then send again: what was proven is kept, the rest is carried."
    if stop.why:
        happened = f"The drive did not answer in time; ended early: {stop.why}"
        night.failure = StoppedEarly(happened, night.drive.root, step)
    else:
        night.failure = DriveFailed("The drive does not answer any more", night.drive.root, step)
