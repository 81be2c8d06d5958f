"""A job kept within its time: the caller gets its thread back even when a dead drive holds the job's."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

from transfer.stop import Stop

Result = TypeVar("Result")

_LOOK_S = 0.2
# The end of the job ends the wait, and so does a signal where the system lets it: this is for time limits.
_CALM_LOOK_S = 1.0
# How long a run that was asked to end may take to write its lists before it is taken to hang.
GRACE_S = 60.0


def run_bounded(
    job: Callable[[], Result], as_it_stands: Callable[[], Result], stop: Stop, grace_s: float = GRACE_S
) -> tuple[Result, bool]:
    """Run a job in a thread of its own; return its result and whether it hangs.

    When it was told to stop and doesn't, `as_it_stands` says how far it came. Its thread is then still
    in the hands of the system: the process has to be ended without waiting for it. Raises what the
    job raises.
    """
    results: list[Result] = []
    errors: list[BaseException] = []

    def work() -> None:
        try:
            results.append(job())
        except BaseException as error:  # noqa: BLE001 - raised again in the caller's thread
            errors.append(error)

    thread = threading.Thread(target=work, name="job", daemon=True)
    thread.start()
    waited_s = 0.0
    while thread.is_alive() and waited_s < grace_s:
        if stop.why:
            thread.join(_LOOK_S)
            waited_s += _LOOK_S
        else:
            thread.join(_CALM_LOOK_S)
    if errors:
        raise errors[0]
    return (results[0], False) if results else (as_it_stands(), True)
