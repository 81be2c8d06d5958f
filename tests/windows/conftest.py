"""What the tests on Windows share: the rig, empty before each test."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest

collect_ignore_glob = [] if sys.platform.startswith("linux") else ["test_*.py"]

if sys.platform.startswith("linux"):
    from tests.windows.rig import Rig, the_rig

    @pytest.fixture(scope="session")
    def whole_rig() -> Iterator[Rig]:
        """Return the rig, held for this test run alone."""
        with the_rig() as rig:
            yield rig

    @pytest.fixture
    def rig(whole_rig: Rig) -> Rig:
        """Return the rig with nothing that an earlier test left."""
        whole_rig.clean()
        return whole_rig
