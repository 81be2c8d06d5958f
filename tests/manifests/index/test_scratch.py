"""Folders for an index of one run: gone afterwards, those of killed runs as well."""

from __future__ import annotations

import os
import tempfile
import time
from pathlib import Path

import pytest

from manifests.index.scratch import scratch_folder

DAYS_S = 86400


@pytest.fixture(autouse=True)
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def left_by_a_dead_run(folder: Path, days: float) -> Path:
    folder.mkdir()
    (folder / "index.sqlite").write_bytes(b"half")
    then = time.time() - days * DAYS_S
    for path in (folder / "index.sqlite", folder):
        os.utime(path, (then, then))
    return folder


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_nothing_is_left_of_a_run_that_ended(temporary: Path) -> None:
    with scratch_folder() as folder:
        assert folder.parent == temporary
        (folder / "index.sqlite").touch()
    assert names(temporary) == []


def test_what_killed_runs_left_goes_and_what_others_work_in_stays(temporary: Path) -> None:
    left_by_a_dead_run(temporary / "nightferry-index-dead", 3)
    left_by_a_dead_run(temporary / "nightferry-index-at-work", 1)
    written_since = left_by_a_dead_run(temporary / "nightferry-index-written", 3)
    os.utime(written_since / "index.sqlite")
    left_by_a_dead_run(temporary / "another-program", 30)
    with scratch_folder() as folder:
        mine = folder.name
    assert mine not in names(temporary)
    assert names(temporary) == ["another-program", "nightferry-index-at-work", "nightferry-index-written"]


@pytest.mark.skipif(os.name == "nt", reason="links ask for a privilege there")
def test_a_link_of_that_name_is_not_followed(
    temporary: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    elsewhere = left_by_a_dead_run(tmp_path_factory.mktemp("x") / "elsewhere", 30)
    (temporary / "nightferry-index-link").symlink_to(elsewhere)
    with scratch_folder():
        pass
    assert (elsewhere / "index.sqlite").exists()
    assert names(temporary) == ["nightferry-index-link"]
