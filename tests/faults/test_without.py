"""Each protection that the trials take out by name exists: a rename must not pull the harness's teeth."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults.registry import FAULTS
from tests.faults.without import AGAINST, PROTECTIONS, NoSuchProtection, _replace

ROOT = Path(__file__).resolve().parents[2]
# In a process of its own: what is taken out stays out.
_TAKE_OUT_ALL = """
from tests.faults.without import PROTECTIONS, NoSuchProtection
for name, take_out in PROTECTIONS.items():
    try:
        take_out()
    except (NoSuchProtection, ImportError, AttributeError) as error:
        print(f"{name}: {error!r}")
"""


def test_every_protection_that_is_taken_out_by_name_is_there():
    done = subprocess.run(
        [sys.executable, "-c", _TAKE_OUT_ALL], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout == ""


def test_a_protection_that_was_renamed_is_refused():
    class Folder:
        pass

    with pytest.raises(NoSuchProtection, match=r"Folder\.flush_files"):
        _replace(Folder, "flush_files", None)


def test_every_protection_has_a_fault_that_must_show_its_absence():
    places = {fault.name: fault.on for fault in FAULTS}
    assert AGAINST.keys() == PROTECTIONS.keys()
    for faults in AGAINST.values():
        assert all(on in places[name] for name, on, *_ in faults)
