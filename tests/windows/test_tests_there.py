"""Tests of the project, run by Windows' own Python as well: the share that touches files, in a few minutes.

What is not listed here can be run by hand: `RIG/python -m pytest FOLDER`.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.windows.rig import Rig

_PROJECT = Path(__file__).parents[2]
_ENDS_WITHIN_S = 2400


@pytest.mark.parametrize(
    ("folder", "at_least"),
    [
        ("tests/transfer/engine", 600),
        ("tests/transfer/archive", 255),
        ("tests/transfer/config", 400),
        ("tests/manifests/bags", 580),
    ],
)
def test_what_holds_here_holds_there(rig: Rig, folder: str, at_least: int) -> None:
    command = rig.python("-m", "pytest", "-q", "--tb=short", "--basetemp=C:\\tests", folder)
    ran = rig.call(command, cwd=_PROJECT, ends_within_s=_ENDS_WITHIN_S)
    assert ran.exit == 0, ran.out[-4000:] + ran.err[-1000:]
    passed = re.search(r"(\d+) passed", ran.out)
    assert passed is not None
    assert int(passed[1]) >= at_least
