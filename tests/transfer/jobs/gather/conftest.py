"""An archive with a few lights of M 33, and a way to gather from it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from manifests.frames.calibration.tolerances import Tolerances
from manifests.index.opening import open_index
from manifests.index.rebuilding import rebuild
from manifests.index.schema import INDEX_NAME
from tests.support.small_archive import SmallArchive
from transfer.archive.typed_names import NameTables
from transfer.engine.medium import Medium, this_computer
from transfer.events import Listener, nobody
from transfer.jobs.gather.matching import match
from transfer.jobs.gather.outcome import GatherOutcome
from transfer.jobs.gather.placing import InFolder, Placed, place
from transfer.jobs.gather.request import GatherRequest, Means
from transfer.jobs.gather.run import Gathering
from transfer.jobs.gather.selection import select
from transfer.stop import Stop

Gather = Callable[..., GatherOutcome]


@pytest.fixture
def archive(tmp_path: Path) -> SmallArchive:
    """Return an archive with nothing in it."""
    return SmallArchive(tmp_path / "archive")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder to lay out in, which is not there yet."""
    return tmp_path / "run"


@pytest.fixture
def gather(archive: SmallArchive, folder: Path) -> Gather:
    """Return a function that gathers a target from the archive into the folder."""

    def run(
        target: str = "M 33",
        into: Path | None = folder,
        own: NameTables | None = None,
        tolerances: Tolerances | None = None,
        stop: Stop | None = None,
        medium: Medium | None = None,
        listen: Listener = nobody,
        archive: SmallArchive = archive,
        means: Means = Means.HARD_LINK,  # the default depends on where the tests run
        **asked: Any,
    ) -> GatherOutcome:
        request = GatherRequest(target, into, means=means, **asked)
        limits = tolerances or Tolerances()
        runs_on = medium or this_computer()
        return Gathering(
            archive.root, own or NameTables(), limits, request, runs_on, stop or Stop(), listen
        ).run()

    return run


@pytest.fixture
def gather_on() -> Gather:
    """Return a function that gathers M 33 from any archive into a folder."""

    def run(archive: SmallArchive, into: Path) -> GatherOutcome:
        request = GatherRequest("M 33", into)
        return Gathering(archive.root, NameTables(), Tolerances(), request, this_computer(), Stop()).run()

    return run


@pytest.fixture
def placed(archive: SmallArchive) -> Callable[[], list[Placed]]:
    """Return a function that finds the place of each light of the archive in an empty folder."""

    def find() -> list[Placed]:
        rebuild(archive.root)
        with open_index(archive.root / INDEX_NAME) as index:
            selection = select(index, GatherRequest("M 33", archive.root), NameTables())
        matched = match(archive.root, selection, Tolerances())
        return list(place(matched, InFolder(archive.root), 2.0).new)

    return find
