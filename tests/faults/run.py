"""Make faults on purpose and check the invariants after each: `python -m tests.faults.run --scale 0.05`."""

from __future__ import annotations

import argparse
import math
import multiprocessing
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults import results
from tests.faults.on_windows import UNDER_WINE
from tests.faults.registry import FAULTS
from tests.faults.system_calls import share_calls
from tests.faults.trials import REDRAWN, Fault, NotMade, TornByFileSystem, Trial
from tests.faults.without import AGAINST, PROTECTIONS
from tests.windows.rig import missing

_DRAWS = 6
_BITES = 45  # trials that a protection may be missing before it is said to be untested


@dataclass
class Row:
    """What came of one fault on one kind of drive."""

    fault: Fault
    on: str
    tried: int = 0
    held: int = 0
    not_made: int = 0
    torn: int = 0
    seconds: float = 0.0
    failures: list[tuple[Trial, str]] = field(default_factory=list)

    def add(self, other: Row) -> None:
        """Count another row's trials as trials of this one."""
        self.tried += other.tried
        self.held += other.held
        self.not_made += other.not_made
        self.torn += other.torn
        self.failures += other.failures

    def as_result(self, seed: int) -> results.Result:
        """Return what is kept of it."""
        commands = tuple(trial.command for trial, _ in self.failures)
        what, counts = (self.fault.name, self.fault.row, self.on, seed), (self.tried, self.held)
        return results.Result(*what, *counts, commands, results.commit(), self.torn)


def try_row(row: Row, count: int, seed: int, without: str, processes: int, job: str = "") -> None:
    """Make one row's trials, several at once; rows come one after another, for some flush all there is."""
    asked = [(row.fault.name, row.on, seed, number, without, job) for number in range(count)]
    began = time.monotonic()
    if processes == 1:
        made = [_try_apart(*each) for each in asked]
    else:
        spawn = multiprocessing.get_context("spawn")
        with (
            tempfile.TemporaryDirectory(prefix="nightferry-calls-") as seen,
            ProcessPoolExecutor(processes, spawn, share_calls, (seen,)) as pool,
        ):
            made = list(pool.map(_try_apart, *zip(*asked, strict=True)))
    for each in made:
        row.add(each)
    row.seconds = time.monotonic() - began


def _try_apart(name: str, on: str, seed: int, number: int, without: str, job: str) -> Row:
    """Make one trial in a process that may be another one: a fault goes there by its name."""
    row = Row(next(fault for fault in FAULTS if fault.name == name), on)
    try_number(row, seed, number, without, job)
    return row


def try_number(row: Row, seed: int, number: int, without: str = "", job: str = "") -> None:
    """Make one trial; where its fault does not come about, draw again."""
    for draw in range(_DRAWS):
        trial = Trial(row.fault.name, row.on, seed, number + draw * REDRAWN, without, job)
        try:
            row.fault.try_once(trial)
        except NotMade:
            continue
        except TornByFileSystem:
            row.tried += row.fault.batch
            row.torn += row.fault.batch
            return
        except Exception as error:  # noqa: BLE001 - whatever it is, the trial did not hold
            row.tried += row.fault.batch
            row.failures.append((trial, _told(error)))
            return
        row.tried += row.fault.batch
        row.held += row.fault.batch
        return
    row.not_made += 1


def _told(error: Exception) -> str:
    if isinstance(error, AssertionError):
        return str(error)
    return "".join(traceback.format_exception(error)[-3:]).strip()


def rows(only: list[str], on: str) -> Iterator[Row]:
    """Return the rows that were asked for."""
    for fault in FAULTS:
        if not only or fault.name in only:
            yield from (Row(fault, place) for place in fault.on if on in ("", place) and _can_be(place))


def _can_be(place: str) -> bool:
    """Return whether trials can be made on a kind of drive here; say so where they cannot."""
    reason = missing() if place.startswith(UNDER_WINE) else ""
    if reason:
        print(f"left out: {place} {reason}", flush=True)
    return not reason


def share(fault: Fault, scale: float) -> int:
    """Return how many trials one of the fault's places gets."""
    return max(1, math.ceil(fault.full_count * scale / len(fault.on) / fault.batch))


def show(row: Row) -> None:
    """Print one row, and how to repeat what failed in it."""
    name = row.fault.row if len(row.fault.row) < 62 else row.fault.row[:61] + "…"
    missed = f"  ({row.not_made} could not be made)" if row.not_made else ""
    missed += f"  ({row.torn} torn by the file system itself)" if row.torn else ""
    print(f"{name:<62} {row.on:<6} {row.tried:>9,} {row.held:>9,} {row.seconds:>7.0f} s{missed}", flush=True)
    for trial, told in row.failures:
        print(f"    {trial.command}\n        {told}", flush=True)


def try_teeth(seed: int, at_most: int) -> int:
    """Take out each protection in turn, and say which fault shows that it is missing."""
    by_name = {fault.name: fault for fault in FAULTS}
    print(f"{'without':<20} {'caught by':<12} {'on':<6} {'in trial':>8}", flush=True)
    missed = 0
    for protection in PROTECTIONS:
        places = [(by_name[name], on, "".join(job)) for name, on, *job in AGAINST[protection]]
        caught = next(_bites(protection, places, seed, at_most), None)
        missed += caught is None
        print(f"{protection:<20} {caught or 'NOTHING'}", flush=True)
    return 1 if missed else 0


def _bites(protection: str, places: list[tuple[Fault, str, str]], seed: int, at_most: int) -> Iterator[str]:
    """Return a line for each trial that fails: its fault, its drive and its number."""
    for number in range(at_most):
        for fault, on, job in places:
            row = Row(fault, on)
            try_number(row, seed, number, protection, job)
            if row.failures:
                told = row.failures[0][1].replace("\n", " ")[-150:]
                yield f"{fault.name:<12} {on:<6} {number + 1:>8}    {told}"


def main() -> int:
    """Make the trials that were asked for, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", action="append", default=[], choices=[fault.name for fault in FAULTS])
    parser.add_argument("--on", default="", help="one kind of drive only")
    parser.add_argument("--scale", type=float, default=0.05, help="1 makes every trial; 0.05 one in twenty")
    parser.add_argument("--processes", type=int, default=1, help="trials made at once")
    parser.add_argument("--record", type=Path, help="add what came of each row to this file")
    parser.add_argument("--number", type=int, help="repeat this one trial")
    parser.add_argument("--without", default="", help="take a protection out: see without.py")
    parser.add_argument("--job", default="", help="one job only, where faults are made in several")
    parser.add_argument("--teeth", action="store_true", help="take out each protection, and look who bites")
    asked = parser.parse_args()
    if asked.teeth:
        return try_teeth(asked.seed, _BITES)
    print(f"{'fault':<62} {'on':<6} {'tried':>9} {'held':>9}", flush=True)
    done = []
    for row in rows(asked.only, asked.on):
        if asked.number is not None:
            try_number(row, asked.seed, asked.number, asked.without, asked.job)
        else:
            count = share(row.fault, asked.scale)
            processes = 1 if row.on.startswith(UNDER_WINE) else asked.processes  # there is one rig
            try_row(row, count, asked.seed, asked.without, processes, asked.job)
        show(row)
        if asked.record:
            results.add(asked.record, row.as_result(asked.seed))
        done.append(row)
    tried, held, torn = (sum(getattr(row, count) for row in done) for count in ("tried", "held", "torn"))
    print(f"{'all':<62} {'':<6} {tried:>9,} {held:>9,}")
    return 0 if tried == held + torn else 1


if __name__ == "__main__":
    sys.exit(main())
