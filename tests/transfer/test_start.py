"""The beginning of the command: an interruption while modules load ends it in order."""

from __future__ import annotations

import subprocess
import sys

import pytest

_INTERRUPTED_AT = """
import runpy, sys
class AtThis:
    def find_spec(self, name, path=None, target=None):
        if name == {name!r}:
            raise KeyboardInterrupt
sys.meta_path.insert(0, AtThis())
sys.argv = ["nightferry", "check", "."]
runpy.run_module("transfer", run_name="__main__")
"""


@pytest.mark.parametrize(
    "name", ["transfer.cli", "click", "transfer.cli.main", "transfer.cli.check", "transfer.jobs.check.run"]
)
def test_an_interruption_while_modules_load_leaves_no_traceback(name: str) -> None:
    words = [sys.executable, "-c", _INTERRUPTED_AT.format(name=name)]
    ran = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (ran.returncode, ran.stdout) == (6, "")
    assert ran.stderr == "nightferry: interrupted before anything was done.\n"
