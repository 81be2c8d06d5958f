"""A run ends in order at whichever signal this system, or another, sends to end it."""

import signal
import sys

import pytest

from transfer.cli.signals import stop_on_signals
from transfer.stop import Stop

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="these signals are sent to oneself")


@pytest.fixture(autouse=True)
def _ways_are_kept():
    """Leave this process its own ways with signals."""
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGUSR1)
    handlers = {number: signal.getsignal(number) for number in numbers}
    yield
    for number, handler in handlers.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_to_end_ends_a_run_in_order(name):
    stop = Stop()
    stop_on_signals(stop)
    signal.raise_signal(getattr(signal, name))
    assert (stop.why, stop.signalled) == (f"signal {name}", True)


def test_a_closed_console_of_windows_ends_a_run_in_order_and_twice_at_no_greater_speed(monkeypatch):
    monkeypatch.setattr(signal, "SIGBREAK", signal.SIGUSR1, raising=False)  # which only Windows has
    stop = Stop()
    stop_on_signals(stop)
    signal.raise_signal(signal.SIGUSR1)
    signal.raise_signal(signal.SIGUSR1)
    assert stop.signalled


def test_a_signal_that_whoever_started_the_run_ignores_stays_ignored():
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    stop = Stop()
    stop_on_signals(stop)
    signal.raise_signal(signal.SIGHUP)
    assert not stop.why
