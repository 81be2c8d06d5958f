"""While a flush goes on, the device's counter says how far it is; in the end all of it is counted, once."""

import threading

import pytest

from transfer.engine.copy.flushing import counted_flush
from transfer.engine.medium import this_computer


class Device:
    """A folder whose device takes bytes as a test says; each look sees the next count."""

    def __init__(self, *counts):
        self.counts = list(counts)
        self.all_seen = threading.Event()

    def bytes_taken(self):
        if len(self.counts) == 1:
            self.all_seen.set()
            return self.counts[0]
        return self.counts.pop(0)


def flushed(device, size_bytes):
    reported = []
    with counted_flush(device, size_bytes, reported.append, look_s=0.001):
        assert device.all_seen.wait(20)
    return reported


def test_what_the_device_takes_is_reported_as_it_takes_it():
    reported = flushed(Device(1000, 1300, 1300, 1700), 1000)
    assert (reported[:2], sum(reported)) == ([300, 400], 1000)


def test_never_more_than_the_flush_has_is_reported():
    """Another program may write to the drive meanwhile."""
    assert sum(flushed(Device(0, 9_000), 1000)) == 1000


def test_where_no_device_counts_all_is_reported_in_the_end():
    assert flushed(Device(None), 1000) == [1000]


def test_a_flush_that_fails_is_counted_too_and_raises():
    reported = []
    with pytest.raises(OSError, match="made by a test"), counted_flush(Device(None), 10, reported.append):
        raise OSError(5, "made by a test")
    assert reported == [10]


def test_this_computer_counts_what_its_disk_takes_or_says_that_it_does_not_know(tmp_path):
    folder = this_computer().pin(tmp_path)
    taken = folder.bytes_taken()
    folder.close()
    assert taken is None or taken >= 0
