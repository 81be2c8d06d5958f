"""The lists of a bag that grows are made from the list it has: none of that may get lost on the way."""

from __future__ import annotations

import pytest

from tests.support.nights import Computer, prepared
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.open import OpenBag
from transfer.engine.medium import this_computer
from transfer.errors import DriveFailed

NIGHT = "2026-03-14"


@pytest.fixture
def drive(tmp_path):
    """A drive whose bag was being finished when the power went: its tag manifest is not back yet."""
    computer, drive = Computer(tmp_path / "imaging"), prepared(tmp_path / "drive")
    computer.small_night()
    assert computer.send(drive).exit_code == 0
    (drive / NIGHT / "tagmanifest-sha256.txt").unlink()
    return drive


@pytest.fixture
def folder(drive):
    pinned = this_computer().pin(drive)
    yield pinned
    pinned.close()


@pytest.mark.parametrize("left", [0, 3])
def test_a_list_of_which_the_drive_gives_back_less_than_before_is_not_written_on(drive, folder, left):
    listed = ListedBag(folder, NIGHT)
    listed.load(lambda entry: None)
    entries = drive / NIGHT / "nightferry/entries.jsonl"
    lines = entries.read_bytes().splitlines(keepends=True)
    manifest = (drive / NIGHT / "manifest-sha256.txt").read_bytes()
    # As a file system that a power cut has torn may do it, once clusters are given away a second time.
    entries.write_bytes(b"".join(lines[:left]))
    with pytest.raises(DriveFailed, match=f"without {len(lines) - left} of its lines"):
        OpenBag(listed, {}).begin(1000)
    assert (drive / NIGHT / "manifest-sha256.txt").read_bytes() == manifest


def test_a_list_that_comes_back_whole_is_written_on_and_pinned_again(drive, folder):
    listed = ListedBag(folder, NIGHT)
    listed.load(lambda entry: None)
    manifest = (drive / NIGHT / "manifest-sha256.txt").read_bytes()
    OpenBag(listed, {}).begin(1000)
    assert (drive / NIGHT / "manifest-sha256.txt").read_bytes() == manifest
    assert (drive / NIGHT / "tagmanifest-sha256.txt").exists()
