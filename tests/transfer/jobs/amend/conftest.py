"""An archive with a small night, beside the stick that it was filed from."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.support.desks import Desk
from tests.support.nights import Computer, noise, prepared


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A stick with a night, and the archive that it was filed into: made once, copied for each test."""
    root = tmp_path_factory.mktemp("night")
    computer = Computer(root / "telescope")
    for number in (1, 2, 3):
        computer.frame(f"light_{number}.fits", data=noise(5000, number))
    computer.frame("dark_1.fits", kind="Dark", data=noise(3000, 4))
    computer.frame("odd.fits", kind="Tricolour", data=noise(2000, 5))
    computer.log("mount.log")
    stick = prepared(root / "stick")
    computer.send(stick)
    Desk(root / "desk").file(stick)
    return root


@pytest.fixture
def filed(tmp_path: Path, night: Path) -> Desk:
    """An archive with three lights of M 51, a dark, a frame of no type and a log, beside its stick."""
    shutil.copytree(night / "stick", tmp_path / "stick")
    desk = Desk(tmp_path / "desk")
    shutil.copytree(night / "desk/archive", desk.archive, dirs_exist_ok=True)
    return desk
