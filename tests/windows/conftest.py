"""What the tests on Windows share: the rig, empty before each test."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

collect_ignore_glob = [] if sys.platform.startswith("linux") else ["test_*.py"]

if sys.platform.startswith("linux"):
    from rig import Rig, the_rig

    @pytest.fixture(scope="session")
    def whole_rig() -> Iterator[Rig]:
        with the_rig() as rig:
            yield rig

    @pytest.fixture
    def rig(whole_rig: Rig) -> Rig:
        whole_rig.clean()
        return whole_rig
