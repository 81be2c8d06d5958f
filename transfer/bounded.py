"""A job kept within its time: the caller gets its thread back even when a dead drive holds the job's."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

from transfer.stop import Stop

Result = TypeVar("Result")

_LOOK_S = 0.2
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
        thread.join(_LOOK_S)
        waited_s += _LOOK_S if stop.why else 0.0
    if errors:
        raise errors[0]
    return (results[0], False) if results else (as_it_stands(), True)
