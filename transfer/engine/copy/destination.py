"""The places that a run writes to, several at the same time: none may hold up or end another's work."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from transfer.engine.copy.troubles import OF_A_DRIVE, Words
from transfer.engine.unforeseen import unforeseen
from transfer.errors import DriveFailed, NightferryError, StoppedEarly
from transfer.stop import Stop

_LOOK_S = 0.1
# How long a destination may take for its present act when the run has to end, before it is taken to hang:
# every act that takes long asks more often than this whether to go on.
_PATIENCE_S = 5.0


@dataclass(slots=True, eq=False)
class Destination:
    """A drive, an archive or a folder that a run writes to.

    `explain` turns an error of the system into one that a person can act on. `failure` ends all that is
    done to it in this run; with `hangs`, threads are still at work on it, or in the hands of the system,
    and nothing of it may be touched any more.
    """

    root: Path
    explain: Callable[[OSError], NightferryError]
    words: Words = OF_A_DRIVE
    failure: NightferryError | None = None
    hangs: bool = False

    def fail(self, error: NightferryError | None) -> None:
        """Record what ends the work on this destination; the first error stays."""
        self.failure = self.failure or error

    def give_up_waiting(self, stop: Stop) -> None:
        """Take the destination to hang. Where the run had to end anyway, this is its early end."""
        self.hangs = True
        happened, step = self.words.busy if stop.why else self.words.hanging
        if stop.why:
            error: NightferryError = StoppedEarly(f"{happened}; ended early: {stop.why}", self.root, step)
        else:
            error = DriveFailed(happened, self.root, step)
        self.fail(error)


def beside(
    acts: Mapping[Destination, Callable[[], None]], stop: Stop, patience_s: float = _PATIENCE_S
) -> None:
    """Do one act for each destination at the same time; an error ends the work on its own destination only.

    A destination that has failed before is left alone. When the run has to end and a destination does not
    answer, the others are not kept waiting for it.
    """
    threads = {
        destination: threading.Thread(target=_guarded, args=(destination, act), daemon=True)
        for destination, act in acts.items()
        if destination.failure is None
    }
    for thread in threads.values():
        thread.start()
    waited_s = 0.0
    while any(thread.is_alive() for thread in threads.values()) and waited_s < patience_s:
        next(thread for thread in threads.values() if thread.is_alive()).join(_LOOK_S)
        waited_s += _LOOK_S if stop.why else 0.0
    for destination, thread in threads.items():
        if thread.is_alive():
            destination.give_up_waiting(stop)


def _guarded(destination: Destination, act: Callable[[], None]) -> None:
    try:
        act()
    except OSError as error:
        destination.fail(destination.explain(error))
    except NightferryError as error:
        destination.fail(error)
    except Exception as fault:  # noqa: BLE001 - it must not end the work on the other destinations
        destination.fail(unforeseen(fault, destination.root))
