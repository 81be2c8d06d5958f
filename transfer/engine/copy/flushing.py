"""How far a flush has come, by the device's own counter where the system has one."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from transfer.engine.medium import PinnedFolder

_LOOK_S = 0.5


@contextmanager
def counted_flush(
    folder: PinnedFolder, size_bytes: int, on_bytes: Callable[[int], None], look_s: float = _LOOK_S
) -> Iterator[None]:
    """Report, while a flush goes on, how many of its bytes the device has taken; at its end, the rest.

    What was already under way to the device before the flush is in its count only as far as it was not
    done: the end always makes up for it, and never more than `size_bytes` are reported.
    """
    over = threading.Event()
    reported = [0]

    def look() -> None:
        began = folder.bytes_taken()
        while began is not None and not over.wait(look_s):
            now = folder.bytes_taken()
            if now is None:
                return
            more = min(now - began, size_bytes) - reported[0]
            if more > 0:
                reported[0] += more
                on_bytes(more)

    watcher = threading.Thread(target=look, name="flush watcher", daemon=True)
    watcher.start()
    try:
        yield
    finally:
        over.set()
        watcher.join()
        on_bytes(size_bytes - reported[0])
