"""A seeded share of the faults that `tests/faults/run.py` makes; each failure says how to repeat it alone."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.damage import let_go_of_shared_drives
from tests.faults.on_windows import UNDER_WINE
from tests.faults.registry import FAULTS
from tests.faults.run import Row, try_number
from tests.faults.trials import Fault
from tests.support.volumes import need, need_tools, unavailable
from tests.windows.rig import the_rig

SEED = 20260314


def _share() -> list[tuple[Fault, str, int]]:
    """Return the slice's trials, spread over all that a fault is tried on."""
    return [
        (fault, fault.on[number % len(fault.on)], number)
        for fault in FAULTS
        for number in range(fault.slice_count)
    ]


@pytest.fixture(scope="module", autouse=True)
def _shared_drives_go_at_the_end() -> Iterator[None]:
    yield
    let_go_of_shared_drives()


@pytest.mark.volume
@pytest.mark.parametrize(
    ("fault", "on", "number"), _share(), ids=[f"{f.name}-{on}-{number}" for f, on, number in _share()]
)
def test_whatever_goes_wrong_nothing_is_lost_and_nothing_falsely_claimed(fault, on, number):
    if on.startswith(UNDER_WINE):
        the_rig()
        need(on.removeprefix(UNDER_WINE))
    elif on not in ("fuse", "memory"):
        need(on)
    elif on == "fuse" and not Path("/dev/fuse").exists():
        unavailable("needs FUSE")
    need_tools("strace", "sha256sum", "xxhsum")
    row = Row(fault, on)
    try_number(row, SEED, number)
    assert row.failures == []
