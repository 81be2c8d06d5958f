"""Work that goes on while the drive is read: one thing after the other, in a thread of its own."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

from transfer.engine.unforeseen import unforeseen

_LOOK_S = 0.2


class Background:
    """Does the acts that it is given, in order. A context: leaving it waits until all are done.

    What an act raises is a fault of the program: it is kept, the acts after it are left out, and it is raised
    as Unforeseen when it is waited for.
    """

    def __init__(self) -> None:
        self._acts: queue.Queue[Callable[[], None] | None] = queue.Queue()
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._work, name="background", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._acts.put(None)
        while self._thread.is_alive():
            self._thread.join(_LOOK_S)
        if error is None:
            self._raise()

    def do(self, act: Callable[[], None]) -> None:
        """Do an act after those that were given before. May be called from any thread."""
        self._acts.put(act)

    def wait(self) -> None:
        """Wait until all that was given so far is done. Raises Unforeseen where an act has raised."""
        done = threading.Event()
        self._acts.put(done.set)
        while not done.wait(_LOOK_S):
            if self._failure is not None:
                break
        self._raise()

    def _raise(self) -> None:
        if self._failure is not None:
            raise unforeseen(self._failure)

    def _work(self) -> None:
        while (act := self._acts.get()) is not None:
            if self._failure is None:
                try:
                    act()
                except BaseException as failure:  # noqa: BLE001 - raised again where it is waited for
                    self._failure = failure
