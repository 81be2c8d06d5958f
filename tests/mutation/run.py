"""Mutation testing: a module's own tests must fail for every small thing that is made wrong in it.

    python -m tests.mutation.run                              all modules of `OWN_TESTS`
    python -m tests.mutation.run manifests/frames/nights.py

The tests are collected once; each mutant is planted into a process of its own, in memory alone, which is
ended where it hangs. A mutant that no test notices is printed; `explained.toml` says of those that can't
be noticed, why.
"""

from __future__ import annotations

import argparse
import importlib
import os
import signal
import sys
import tempfile
import time
import tomllib
from pathlib import Path

import pytest
from hypothesis import Phase, settings

from tests.mutation.mutants import Mutant, mutants_of
from tests.mutation.planting import plant

ROOT = Path(__file__).resolve().parents[2]
EXPLAINED = Path(__file__).with_name("explained.toml")
_BAGS, _FRAMES, _ENGINE = "tests/manifests/bags", "tests/manifests/frames", "tests/transfer/engine"
OWN_TESTS = {
    "manifests/bags/bag_reading.py": [f"{_BAGS}/test_bag_reading.py"],
    "manifests/bags/bag_writing.py": [f"{_BAGS}/test_bag_writing.py"],
    "manifests/bags/manifest_lines.py": [f"{_BAGS}/test_manifest_lines.py", f"{_BAGS}/test_bag_reading.py"],
    "manifests/bags/verify.py": [f"{_BAGS}/test_verify.py"],
    "manifests/bags/hashing.py": [f"{_BAGS}/test_hashing.py", f"{_BAGS}/test_verify.py"],
    "manifests/bags/matching.py": [f"{_BAGS}/test_matching.py", f"{_BAGS}/test_verify.py"],
    "manifests/bags/containment.py": [f"{_BAGS}/test_containment.py"],
    "manifests/bags/acknowledgement.py": [f"{_BAGS}/test_acknowledgement.py"],
    "manifests/bags/kept_proofs.py": [f"{_BAGS}/test_kept_proofs.py"],
    "manifests/frames/nights.py": [f"{_FRAMES}/test_nights.py"],
    "manifests/frames/moments.py": [f"{_FRAMES}/test_moments.py"],
    "manifests/frames/sites.py": [f"{_FRAMES}/test_sites.py"],
    "manifests/frames/sky/impossible.py": [f"{_FRAMES}/test_sky_impossible.py"],
    "manifests/frames/calibration/choosing.py": [f"{_FRAMES}/calibration/test_matching.py"],
    "manifests/frames/calibration/equipment.py": [f"{_FRAMES}/calibration/test_equipment.py"],
    "manifests/frames/calibration/matching.py": [
        f"{_FRAMES}/calibration/test_matching.py",
        f"{_FRAMES}/calibration/test_plan.py",
    ],
    "transfer/engine/copy/copier.py": [f"{_ENGINE}/copy/test_copier.py"],
    "transfer/engine/bag/durable.py": [f"{_ENGINE}/bag/test_durable.py"],
    "transfer/engine/bag/readback.py": [f"{_ENGINE}/bag/test_readback.py"],
}
_SLOWER_AT_MOST = 4
_AT_LEAST_S = 10.0
_LOOK_S = 0.01
# So pytest can't rewrite its asserts any more, and would warn of it.
_HYPOTHESIS_IS_LOADED = ("-W", "ignore::pytest.PytestAssertRewriteWarning")


def main() -> int:
    """Run it; return the exit code: 0 where every mutant is noticed or explained."""
    parser = argparse.ArgumentParser(description="Says which mutants the tests don't notice.")
    parser.add_argument("modules", nargs="*", default=list(OWN_TESTS), help="paths as OWN_TESTS has them")
    os.chdir(ROOT)
    return 1 if sum([_try_module(module) for module in parser.parse_args().modules]) else 0


def _try_module(module: str) -> int:
    """Try every mutant of a module in a process of its own; give 1 where one is left unexplained."""
    child = os.fork()
    if child == 0:
        os._exit(_tried(module))
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _tried(module: str) -> int:
    sys.dont_write_bytecode = True
    settings.register_profile("short", max_examples=40, phases=(Phase.explicit, Phase.generate))
    settings.load_profile("short")  # what a test's own profile inherits from
    trial = _Trial(module)
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = scratch
        options = ["-q", "--no-header", "--basetemp", f"{scratch}/tests", *_HYPOTHESIS_IS_LOADED]
        code = pytest.main([*options, "-m", "not volume", *OWN_TESTS[module]], [trial])
    if code or not trial.mutants:
        print(f"{module}: its tests fail without any mutant")
        return 1
    return trial.report()


class _Trial:
    """Stands in for pytest's loop over the tests: the loop is run once for each mutant."""

    def __init__(self, module: str) -> None:
        self._module = module
        self.mutants: list[Mutant] = []
        self._survivors: list[Mutant] = []

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Run the tests unchanged, then with each mutant."""
        started = time.monotonic()
        if _outcome(session, self._module, "", 600.0) != 0:
            session.testsfailed = 1
            return True
        limit_s = max(_AT_LEAST_S, _SLOWER_AT_MOST * (time.monotonic() - started))
        source = Path(self._module).read_text(encoding="utf-8")
        self.mutants = list(mutants_of(source))
        for mutant in self.mutants:
            if _outcome(session, self._module, mutant.source, limit_s) == 0:
                self._survivors.append(mutant)
        return True

    def report(self) -> int:
        """Print what came of it; give 1 where a survivor is not explained."""
        explained = _explained(self._module)
        left = [each for each in self._survivors if _key(self._module, each) not in explained]
        killed = len(self.mutants) - len(self._survivors)
        counts = f"{len(self.mutants):>4} mutants {killed:>4} killed {len(self._survivors):>3} survived"
        print(f"{self._module:<34}{counts} {len(self._survivors) - len(left):>3} of them explained")
        for each in left:
            print(f"    {each}")
        sys.stdout.flush()
        return 1 if left else 0


def _outcome(session: pytest.Session, module: str, source: str, limit_s: float) -> int:
    """Run the collected tests in a child, with a mutant in it; give 0 where all of them pass."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            code = _run_here(session, module, source)
        finally:
            os._exit(code)
    ends = time.monotonic() + limit_s
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status
        if time.monotonic() > ends:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return -1
        time.sleep(_LOOK_S)


def _run_here(session: pytest.Session, module: str, source: str) -> int:
    os.setsid()
    quiet = os.open(os.devnull, os.O_RDWR)
    for descriptor in (0, 1, 2):
        os.dup2(quiet, descriptor)
    session.config.pluginmanager.unregister(name="terminalreporter")
    if source:
        plant(importlib.import_module(module.removesuffix(".py").replace("/", ".")), source)
    for place, item in enumerate(session.items):
        following = session.items[place + 1] if place + 1 < len(session.items) else None
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        if session.testsfailed:
            return 1
    return 0


def _explained(module: str) -> list[dict[str, str]]:
    said = tomllib.loads(EXPLAINED.read_text(encoding="utf-8")) if EXPLAINED.exists() else {}
    return [one | {"why": ""} for one in said.get("mutant", []) if one["module"] == module]


def _key(module: str, mutant: Mutant) -> dict[str, str]:
    facts = {"inside": mutant.inside, "before": mutant.before, "after": mutant.after}
    return {"module": module, **facts, "why": ""}


if __name__ == "__main__":
    sys.exit(main())
