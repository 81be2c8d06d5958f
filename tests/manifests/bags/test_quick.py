import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.bags.bag import read_bag
from manifests.bags.quick import quick_verify, same_time
from manifests.bags.verify import Verification
from manifests.findings import Finding, FindingKind
from tests.support.systems import need_links, need_pipes, need_read_times

HandMade = Callable[..., Path]
LIGHT, LOG = "data/frames/light 1.fits", "data/logs/guide.log"
SECOND = 1_000_000_000
MODIFIED = 1_773_500_000 * SECOND


def entries(*paths_and_sizes: tuple[str, int]) -> str:
    rest = {"sha256": "0" * 64, "xxh128": "0" * 32, "modified_ns": MODIFIED, "source": "s", "original": "o"}
    lines = [
        {"path": path, "size_bytes": size, "night": "2026-03-14"} | rest for path, size in paths_and_sizes
    ]
    return "".join(json.dumps(line) + "\n" for line in lines)


@pytest.fixture
def night(hand_made: HandMade) -> Path:
    folder = hand_made(tags={"nightferry/entries.jsonl": entries((LIGHT, 11), (LOG, 14))})
    for path in (LIGHT, LOG):
        os.utime(folder / path, ns=(MODIFIED, MODIFIED))
    return folder


def check(folder: Path) -> Verification:
    return quick_verify(read_bag(folder))


def test_a_quick_check_says_that_it_was_and_verifies_nothing(night: Path) -> None:
    found = check(night)
    assert found.quick
    assert found.findings == ()
    assert (found.verified, found.bytes_verified, found.agreed) == (0, 0, 2)


def test_a_quick_check_does_not_see_a_changed_byte(night: Path) -> None:
    (night / LIGHT).write_bytes(b"SIMPLE  = F")
    os.utime(night / LIGHT, ns=(MODIFIED, MODIFIED))
    assert check(night).findings == ()


def test_another_size_is_found(night: Path) -> None:
    (night / LIGHT).write_bytes(b"SIMPLE")
    os.utime(night / LIGHT, ns=(MODIFIED, MODIFIED))
    found = check(night)
    assert found.findings == (Finding(FindingKind.CHANGED, "is 6 bytes, not 11", LIGHT),)
    assert found.agreed == 1


def test_another_time_is_found_and_not_called_proof(night: Path) -> None:
    os.utime(night / LOG, ns=(MODIFIED, MODIFIED + 100 * SECOND))
    (finding,) = check(night).changed
    assert finding.path == LOG
    assert "only a full check" in finding.detail


def test_missing_and_unlisted_files_are_found(night: Path) -> None:
    (night / LOG).unlink()
    (night / "data" / "extra").touch()
    found = check(night)
    assert [finding.path for finding in found.missing] == [LOG]
    assert [finding.path for finding in found.unlisted] == ["data/extra"]
    assert found.agreed == 1


@need_read_times
def test_no_payload_file_is_opened(night: Path) -> None:
    last_read_ns = 10**18  # in 2001: older than the file's own time, so that a read would change it
    os.utime(night / LIGHT, ns=(last_read_ns, MODIFIED))
    check(night)
    assert (night / LIGHT).stat().st_atime_ns == last_read_ns


def test_without_entries_the_payload_oxum_is_compared(hand_made: HandMade) -> None:
    folder = hand_made(tags={"bag-info.txt": "Payload-Oxum: 25.2\n"})
    assert check(folder).findings == ()
    (folder / LIGHT).write_bytes(b"SIMPLE")
    (finding,) = check(folder).findings
    assert finding.path == "bag-info.txt"
    assert "20.2" in finding.detail


def test_entries_that_cannot_be_read_are_said(night: Path) -> None:
    (night / "nightferry" / "entries.jsonl").write_text(entries((LIGHT, 11)) + "zzz\n")
    (finding,) = check(night).findings
    assert finding.kind is FindingKind.MALFORMED
    assert "line 2" in finding.detail


@need_pipes
def test_entries_that_are_a_fifo_are_not_waited_for(night: Path) -> None:
    (night / "nightferry" / "entries.jsonl").unlink()
    os.mkfifo(night / "nightferry" / "entries.jsonl")
    (finding,) = check(night).findings
    assert finding.kind is FindingKind.UNREADABLE


def test_an_entry_with_a_hostile_path_looks_nowhere(night: Path) -> None:
    (night / "nightferry" / "entries.jsonl").write_text(entries(("../../etc/passwd", 1)))
    assert check(night).findings == ()


def test_an_unfinished_run_is_said(night: Path) -> None:
    (night / "nightferry" / "journal.jsonl").touch()
    assert [finding.kind for finding in check(night).findings] == [FindingKind.UNFINISHED]


@need_links
def test_a_payload_behind_a_link_is_measured(hand_made: HandMade) -> None:
    digest = hashlib.sha256(b"abc").hexdigest()
    tags = {
        "manifest-sha256.txt": f"{digest} data/link\n",
        "bag-info.txt": "Payload-Oxum: 3.1\n",
        "kept": "abc",
    }
    folder = hand_made(files={}, tags=tags)
    (folder / "data" / "link").symlink_to("../kept")
    assert check(folder).findings == ()


# Microsoft's FAT specification: steps of two seconds, local time; exFAT's: zones in quarters of an hour.
@pytest.mark.parametrize(
    "apart_s", [0, 1.999, 2, 3600, 3601.5, -3600, 900, 5.75 * 3600, 12 * 3600 - 2, 26 * 3600]
)
def test_times_that_a_file_system_may_have_bent_are_the_same(apart_s: float) -> None:
    assert same_time(MODIFIED, MODIFIED + round(apart_s * SECOND))


@pytest.mark.parametrize("apart_s", [2.1, 3, 60, 450, 897, 3605, 27 * 3600, 86400 * 7])
def test_times_that_are_further_apart_are_not(apart_s: float) -> None:
    assert not same_time(MODIFIED, MODIFIED + round(apart_s * SECOND))


@given(st.integers(-(10**18), 10**19), st.integers(-(10**18), 10**19))
def test_two_times_are_the_same_both_ways_round(one_ns: int, other_ns: int) -> None:
    assert same_time(one_ns, other_ns) == same_time(other_ns, one_ns)
