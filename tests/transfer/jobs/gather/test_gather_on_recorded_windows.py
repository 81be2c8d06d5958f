"""Links on Windows, and where it refuses them: whole runs against recorded answers; not run on Windows here.

Codes and their names: Microsoft, "System error codes".
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from manifests.findings import FindingKind
from tests.support.recorded_windows import OWN_NAME, Rule, System
from tests.support.small_archive import SmallArchive, frames_in
from tests.support.systems import need_links
from transfer.engine.medium import ReadBack
from transfer.engine.medium.windows.medium import WindowsMedium
from transfer.engine.medium.windows.paths import extended
from transfer.errors import ConfigurationError, DoesNotFit
from transfer.jobs.gather.outcome import GatherOutcome, How
from transfer.jobs.gather.request import Means

LIGHT = "lights/M 33/Ha/2026-03-14/light.fits"
BELOW = OWN_NAME + "\\" + LIGHT.replace("/", "\\")


@pytest.fixture
def source(archive: SmallArchive) -> Path:
    """Return the archive's one light."""
    return archive.light("light.fits")


@pytest.fixture
def system(folder: Path, tmp_path: Path) -> System:
    """Return a Windows on which the folder to lay out in is a volume's, and the archive where it is."""
    made = System(folder)
    made.stands_for_itself(tmp_path)
    return made


@pytest.fixture
def laid_out(gather: Callable[..., GatherOutcome], system: System) -> Callable[..., GatherOutcome]:
    """Return a function that gathers through that Windows."""

    def run(*rules: Rule, means: Means = Means.HARD_LINK) -> GatherOutcome:
        system.rules = list(rules)
        return gather(medium=WindowsMedium(system), means=means)

    return run


LaidOut = Callable[..., GatherOutcome]


def test_a_frame_gets_one_more_name_below_the_folder_that_is_held(
    source: Path, system: System, laid_out: LaidOut, folder: Path
) -> None:
    outcome = laid_out()
    assert {each.how for each in outcome.laid_out} == {How.HARD_LINK}
    assert ("hard_link", extended(str(source)), BELOW) in system.called
    assert (folder / LIGHT).samefile(source)


@need_links
def test_a_symbolic_link_is_made_below_the_folder_that_is_held(
    source: Path, system: System, laid_out: LaidOut, folder: Path
) -> None:
    outcome = laid_out(means=Means.SYMBOLIC_LINK)
    assert {each.how for each in outcome.laid_out} == {How.SYMBOLIC_LINK}
    assert ("symbolic_link", extended(str(source)), BELOW) in system.called
    assert (folder / LIGHT).readlink() == source


# ERROR_INVALID_FUNCTION (as FAT and exFAT answer), ERROR_ACCESS_DENIED, ERROR_NOT_SAME_DEVICE,
# ERROR_SHARING_VIOLATION, ERROR_NOT_SUPPORTED, ERROR_TOO_MANY_LINKS
@pytest.mark.parametrize("code", [1, 5, 17, 32, 50, 1142])
def test_where_windows_makes_no_hard_link_the_frame_is_copied_and_it_is_said(
    source: Path, laid_out: LaidOut, folder: Path, code: int
) -> None:
    outcome = laid_out(Rule("hard_link", code))
    assert {each.how for each in outcome.laid_out} == {How.COPY}
    assert outcome.reasons == (f"no hard link could be made there (Windows error {code})",)
    assert (folder / LIGHT).read_bytes() == source.read_bytes()
    assert outcome.read_back is ReadBack.MEDIUM
    assert not outcome.failures


# ERROR_INVALID_FUNCTION, ERROR_PRIVILEGE_NOT_HELD: without developer mode only an administrator may
@pytest.mark.parametrize("code", [1, 1314])
def test_where_windows_makes_no_symbolic_link_the_option_is_named(
    source: Path, laid_out: LaidOut, folder: Path, code: int
) -> None:
    with pytest.raises(ConfigurationError, match="No symbolic links") as caught:
        laid_out(Rule("symbolic_link", code), means=Means.SYMBOLIC_LINK)
    assert "--symbolic" in caught.value.next_step
    assert frames_in(folder) == []


def test_a_frame_that_is_gone_by_then_is_told(source: Path, laid_out: LaidOut) -> None:
    outcome = laid_out(Rule("hard_link", 2))  # ERROR_FILE_NOT_FOUND
    (failure,) = outcome.failures
    assert failure.kind is FindingKind.MISSING
    assert failure.path.endswith(source.name)


def test_a_name_that_was_taken_meanwhile_is_in_the_way(source: Path, laid_out: LaidOut) -> None:
    with pytest.raises(DoesNotFit, match="lies in the way"):
        laid_out(Rule("hard_link", 183))  # ERROR_ALREADY_EXISTS
    assert source.exists()
