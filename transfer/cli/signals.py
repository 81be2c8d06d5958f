"""What a signal does to a run: it ends in order."""

from __future__ import annotations

import os
import signal

from transfer.stop import Stop


def stop_on_signals(stop: Stop) -> None:
    """End in order at a signal; at the second Ctrl-C at once.

    What ends a session or a computer may well send a signal twice, and means no hurry by that.
    """

    def ask(number: int, _frame: object) -> None:
        if stop.signalled and number == signal.SIGINT:
            os._exit(128 + number)
        stop.ask(f"signal {signal.Signals(number).name}")

    # Not every system knows every name. From memory: Windows sends SIGBREAK for Ctrl-Break, and when the
    # console is closed or the session ends.
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, ask)
