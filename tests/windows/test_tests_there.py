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

# Opening, damaged, set aside, built again: what Windows refuses as long as a file is open.
_INDEX = tuple(f"tests/manifests/index/test_{name}.py" for name in ("opening", "rebuilding", "measures"))
_JOBS = tuple(
    f"tests/transfer/jobs/{name}.py"
    for name in ("send/test_send", "send/test_send_on_recorded_windows", "file/test_filing")
)

# What is run at once, and how many of it have to pass.
_SHARES = {
    "engine": (("tests/transfer/engine",), 600),
    "archive": (("tests/transfer/archive",), 255),
    "config": (("tests/transfer/config",), 400),
    "bags": (("tests/manifests/bags",), 580),
    "index": (_INDEX, 90),
    "jobs": (_JOBS, 138),
}


@pytest.mark.parametrize("share", _SHARES)
def test_what_holds_here_holds_there(rig: Rig, share: str) -> None:
    tests, at_least = _SHARES[share]
    command = rig.python("-m", "pytest", "-q", "--tb=short", "--basetemp=C:\\tests", *tests)
    ran = rig.call(command, cwd=_PROJECT, ends_within_s=_ENDS_WITHIN_S)
    assert ran.exit == 0, ran.out[-4000:] + ran.err[-1000:]
    passed = re.search(r"(\d+) passed", ran.out)
    assert passed is not None
    assert int(passed[1]) >= at_least
