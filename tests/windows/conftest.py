"""What the tests on Windows share: the rig, empty before each test."""

from __future__ import annotations

import sys

import pytest

collect_ignore_glob = [] if sys.platform.startswith("linux") else ["test_*.py"]

if sys.platform.startswith("linux"):
    from tests.windows.rig import Rig, the_rig

    @pytest.fixture
    def rig() -> Rig:
        """Return the rig with nothing that an earlier test left."""
        rig = the_rig()
        rig.clean()
        return rig
