"""The whole job: what lies in the folder afterwards, what is said of it, and an archive as it was."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from manifests.bags.kept_proofs import damage_statements
from manifests.bags.statements import with_statement
from manifests.findings import Finding, FindingKind
from manifests.frames.calibration.equipment import EquipmentNames
from manifests.frames.calibration.tolerances import Tolerances
from tests.support.nights import assert_valid
from tests.support.small_archive import NIGHT, SmallArchive, frames_in
from tests.support.systems import need_links
from transfer.archive.typed_names import NameTables
from transfer.errors import ConfigurationError, ExitCode, NotThere
from transfer.jobs.gather.outcome import GatherOutcome, How
from transfer.jobs.gather.request import Means
from transfer.jobs.gather.selection import NothingToGather

Gather = Callable[..., GatherOutcome]

LATER = NIGHT + timedelta(days=6)


@pytest.fixture
def filed(archive: SmallArchive) -> SmallArchive:
    """Return an archive with two lights and all that fits them."""
    archive.whole_set()
    for number in range(2):
        archive.light(f"light_{number}.fits")
    return archive


WHOLE = [
    "bias/gain 100 offset 30/bias_0.fits",
    "bias/gain 100 offset 30/bias_1.fits",
    "dark flats/2.5s gain 100 -10C/darkflat_0.fits",
    "dark flats/2.5s gain 100 -10C/darkflat_1.fits",
    "darks/300s gain 100 -10C/dark_0.fits",
    "darks/300s gain 100 -10C/dark_1.fits",
    "flats/Ha/2026-03-14/flat_0.fits",
    "flats/Ha/2026-03-14/flat_1.fits",
    "lights/M 33/Ha/2026-03-14/light_0.fits",
    "lights/M 33/Ha/2026-03-14/light_1.fits",
]


def whys(outcome: GatherOutcome) -> list[str]:
    return [row.why for row in outcome.missing]


def kinds(outcome: GatherOutcome) -> list[FindingKind]:
    return [finding.kind for finding in outcome.failures]


# What is laid out


def test_lights_lie_by_filter_and_night_beside_all_that_fits_them(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    outcome = gather()
    assert frames_in(folder) == WHOLE
    assert outcome.exit_code is ExitCode.PROVEN
    assert (len(outcome.lights), outcome.hours) == (2, pytest.approx(600 / 3600))
    assert outcome.message.endswith("; nothing is missing.")


def test_a_hard_link_is_the_archives_own_file(filed: SmallArchive, folder: Path, gather: Gather) -> None:
    outcome = gather()
    source = filed.root / "M 33/data/2026-03-14/Ha/light_0.fits"
    assert source.samefile(folder / "lights/M 33/Ha/2026-03-14/light_0.fits")
    assert {each.how for each in outcome.laid_out} == {How.HARD_LINK}


@pytest.mark.parametrize("means", list(Means))
def test_the_archive_stays_as_it_was_to_the_last_byte_time_and_mode(
    filed: SmallArchive, gather: Gather, means: Means
) -> None:
    before = filed.fingerprint()
    gather(means=means)
    gather(means=means)
    assert filed.fingerprint() == before
    for bag in filed.entries:
        assert_valid(bag)


def test_copies_are_files_of_their_own_with_the_content_and_the_time(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    outcome = gather(means=Means.COPY)
    source = filed.root / "M 33/data/2026-03-14/Ha/light_0.fits"
    copy = folder / "lights/M 33/Ha/2026-03-14/light_0.fits"
    assert not source.samefile(copy)
    assert source.read_bytes() == copy.read_bytes()
    assert source.stat().st_mtime_ns == copy.stat().st_mtime_ns
    assert {each.how for each in outcome.laid_out} == {How.COPY}
    assert outcome.read_back is not None
    assert frames_in(folder) == WHOLE
    assert not list(folder.glob("*.part"))


@need_links
def test_symbolic_links_lead_to_the_archive_from_anywhere(
    filed: SmallArchive, folder: Path, gather: Gather, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    gather(means=Means.SYMBOLIC_LINK)
    link = folder / "lights/M 33/Ha/2026-03-14/light_0.fits"
    assert link.is_symlink()
    assert link.readlink().is_absolute()
    assert link.samefile(filed.root / "M 33/data/2026-03-14/Ha/light_0.fits")


def test_flats_are_those_of_the_nearest_night(archive: SmallArchive, folder: Path, gather: Gather) -> None:
    archive.light("light.fits", night=LATER)
    archive.calibration("Flat", "far.fits", filter_name="Ha", night=NIGHT)
    archive.calibration("Flat", "near.fits", filter_name="H-alpha", night=LATER - timedelta(days=1))
    gather()
    assert [path for path in frames_in(folder) if "flats" in path] == ["flats/Ha/2026-03-19/near.fits"]


def test_a_telescope_and_a_camera_by_the_user_s_names_are_one(archive: SmallArchive, gather: Gather) -> None:
    archive.light("light.fits", INSTRUME="CCD 0", TELESCOP="EQ mount 6.2.1")
    archive.calibration("Flat", "flat.fits", filter_name="Ha", INSTRUME="Lantern", TELESCOP="Long Tom")
    own = NameTables(equipment=EquipmentNames({"EQ mount": "Long Tom"}, {"CCD 0": "Lantern"}))
    assert "flat" in [row.kind.value for row in gather().missing]
    assert "flat" not in [row.kind.value for row in gather(own=own).missing]


def test_darks_that_fit_the_flats_are_laid_out_as_dark_flats(
    archive: SmallArchive, folder: Path, gather: Gather
) -> None:
    archive.light("light.fits")
    archive.calibration("Flat", "flat.fits", filter_name="Ha", EXPTIME=2.0)
    archive.calibration("Dark", "short.fits", EXPTIME=2.0)
    archive.calibration("Dark", "long.fits")
    outcome = gather()
    laid = {path.rpartition("/")[2]: path.partition("/")[0] for path in frames_in(folder)}
    assert (laid["short.fits"], laid["long.fits"]) == ("dark flats", "darks")
    (row,) = [row for row in outcome.rows if row.kind.value == "dark flat"]
    assert row.why.endswith("; they serve as dark flats")


def test_the_limits_are_those_of_the_configuration(archive: SmallArchive, gather: Gather) -> None:
    archive.light("light.fits")
    archive.calibration("Dark", "warm.fits", **{"CCD-TEMP": -7.0})
    assert "dark" in [row.kind.value for row in gather().missing]
    assert "dark" not in [row.kind.value for row in gather(tolerances=Tolerances(sensor_deg_c=5)).missing]


def test_frames_of_one_name_from_several_nights_get_a_name_each(
    archive: SmallArchive, folder: Path, gather: Gather
) -> None:
    for night in (NIGHT, LATER):
        archive.light("light_0001.fits", night=night)
    gather()
    names = sorted(path.name for path in folder.rglob("*.fits"))
    assert names == ["light_0001 (2).fits", "light_0001.fits"]


def test_two_frames_of_the_archive_with_one_name_are_nothing_to_look_at(
    archive: SmallArchive, gather: Gather
) -> None:
    archive.light("light_0001.fits")
    gather()
    archive.light("light_0001.fits", night=LATER)
    outcome = gather()
    assert outcome.count(How.HARD_LINK) == 1
    assert outcome.remarks == ()


# Which target


def test_any_spelling_finds_the_target_and_says_how_it_was_read(filed: SmallArchive, gather: Gather) -> None:
    assert gather("Messier 033").target == "M 33"
    assert gather("m33").how_named == ""
    pytest.importorskip("pyongc")
    outcome = gather("triangulum galaxy")
    assert (outcome.target, outcome.how_named) == ("M 33", "a common name of M 33")


def test_ones_own_name_for_a_target_finds_it(filed: SmallArchive, gather: Gather) -> None:
    assert gather("my favourite", own=NameTables({"my favourite": "M 33"})).target == "M 33"


def test_all_panels_come_together_unless_one_is_named(
    archive: SmallArchive, folder: Path, gather: Gather, tmp_path: Path
) -> None:
    for panel in (1, 2):
        archive.light(f"p{panel}.fits", target=f"M 31 panel {panel}")
    archive.light("other.fits", target="M 33")
    gather("m31")
    assert frames_in(folder) == [
        "lights/M 31 panel 1/Ha/2026-03-14/p1.fits",
        "lights/M 31 panel 2/Ha/2026-03-14/p2.fits",
    ]
    gather("M31 P2", into=tmp_path / "one")
    assert frames_in(tmp_path / "one") == ["lights/M 31 panel 2/Ha/2026-03-14/p2.fits"]


def test_an_unknown_target_leaves_nothing_behind_and_names_those_near_it(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    with pytest.raises(NothingToGather, match=r"no lights of M 34\. Near names that it has: M 33") as caught:
        gather("M34")
    assert caught.value.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert not folder.exists()


def test_two_targets_share_a_folder_and_its_calibration(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    filed.light("other.fits", target="M 51")
    gather("M 33")
    outcome = gather("M 51")
    assert frames_in(folder) == sorted([*WHOLE, "lights/M 51/Ha/2026-03-14/other.fits"])
    assert outcome.count(How.LINKED_BEFORE) == 8
    assert {"M 33 matches.txt", "M 51 matches.txt"} <= {path.name for path in folder.iterdir()}


def test_a_frame_without_a_type_is_told_and_not_taken_for_a_light(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    filed.light("strange.fits", IMAGETYP=None)
    outcome = gather()
    assert frames_in(folder) == WHOLE
    assert [(one.kind, one.path) for one in outcome.remarks] == [
        (FindingKind.NO_TYPE, "M 33/data/2026-03-14/Ha/strange.fits")
    ]
    assert outcome.exit_code is ExitCode.PROVEN


# Which lights


def test_only_the_filters_that_are_asked_for_in_any_spelling(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    filed.light("oxygen.fits", filter_name="OIII")
    gather(filters=("o3",))
    assert [path for path in frames_in(folder) if path.startswith("lights")] == [
        "lights/M 33/OIII/2026-03-14/oxygen.fits"
    ]


def test_a_filter_that_the_target_has_not_is_missing_and_the_others_come(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    outcome = gather(filters=("Ha", "sulfur"))
    assert whys(outcome) == ["no lights of M 33 in SII; there are Ha"]
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert frames_in(folder) == WHOLE


def test_only_the_nights_that_are_asked_for(filed: SmallArchive, folder: Path, gather: Gather) -> None:
    filed.light("later.fits", night=LATER)
    gather(nights=frozenset({NIGHT}))
    assert frames_in(folder) == WHOLE
    gather(since=NIGHT + timedelta(days=1))
    assert frames_in(folder) == sorted([*WHOLE, "lights/M 33/Ha/2026-03-20/later.fits"])


def test_a_night_without_lights_is_missing_and_says_which_there_are(
    filed: SmallArchive, gather: Gather
) -> None:
    outcome = gather(nights=frozenset({NIGHT, date(2026, 3, 15)}))
    assert whys(outcome) == ["no lights of M 33 of 2026-03-15; there are some of 2026-03-14"]


# What is missing


def test_what_is_missing_is_said_with_what_comes_nearest(archive: SmallArchive, gather: Gather) -> None:
    archive.whole_set()
    archive.light("long.fits", EXPTIME=600.0)
    outcome = gather()
    assert whys(outcome) == ["no dark for 600 s, gain 100, −10 °C; nearest 300 s"]
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert "1 need is not met" in outcome.message


def test_a_file_that_is_gone_is_told_and_another_one_taken(
    archive: SmallArchive, folder: Path, gather: Gather
) -> None:
    archive.light("light.fits")
    gone = archive.calibration("Flat", "near.fits", filter_name="Ha")
    archive.calibration("Flat", "far.fits", filter_name="Ha", night=LATER)
    gone.unlink()
    outcome = gather()
    assert [path for path in frames_in(folder) if "flats" in path] == ["flats/Ha/2026-03-20/far.fits"]
    (failure,) = outcome.failures
    assert (failure.kind, failure.path) == (
        FindingKind.MISSING,
        "calibration/data/Lantern 26/flat/2026-03-14/near.fits",
    )
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert {path for row in outcome.rows for path in row.matched} == {
        "calibration/data/Lantern 26/flat/2026-03-20/far.fits"
    }


def test_a_light_of_another_size_than_listed_is_told_and_left_out(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    cut = filed.root / "M 33/data/2026-03-14/Ha/light_1.fits"
    cut.write_bytes(cut.read_bytes()[:-1])
    outcome = gather()
    assert frames_in(folder) == [path for path in WHOLE if "light_1" not in path]
    assert kinds(outcome) == [FindingKind.CHANGED]
    assert not outcome.missing
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN


@need_links
def test_a_file_that_became_a_link_out_of_the_archive_is_not_followed(
    filed: SmallArchive, folder: Path, gather: Gather, tmp_path: Path
) -> None:
    light = filed.root / "M 33/data/2026-03-14/Ha/light_1.fits"
    light.rename(tmp_path / "elsewhere.fits")
    light.symlink_to(tmp_path / "elsewhere.fits")
    outcome = gather()
    assert frames_in(folder) == [path for path in WHOLE if "light_1" not in path]
    assert kinds(outcome) == [FindingKind.UNREADABLE]


def test_lights_of_a_bag_that_is_absent_are_listed_as_missing(
    filed: SmallArchive, folder: Path, gather: Gather, tmp_path: Path
) -> None:
    filed.light("p.fits", target="M 33 panel 2")
    gather(into=tmp_path / "before")
    (filed.root / "M 33 panel 2").rename(tmp_path / "away")
    outcome = gather()
    assert frames_in(folder) == WHOLE
    assert outcome.failures == (
        Finding(
            FindingKind.MISSING,
            "its bag, M 33 panel 2, is not there now",
            "M 33 panel 2/data/2026-03-14/Ha/p.fits",
        ),
    )


def test_absent_calibration_is_told_where_something_is_missing_for_it(
    filed: SmallArchive, gather: Gather, tmp_path: Path
) -> None:
    gather(into=tmp_path / "before")
    (filed.root / "calibration").rename(tmp_path / "away")
    outcome = gather()
    (failure,) = outcome.failures
    assert (failure.kind, failure.path) == (FindingKind.MISSING, "calibration")
    assert failure.detail == "not there now, with 8 calibration frames that may fit"


def test_absent_calibration_that_nobody_needs_is_not_told(
    filed: SmallArchive, gather: Gather, tmp_path: Path
) -> None:
    gather(into=tmp_path / "before")
    (filed.root / "calibration").rename(tmp_path / "away")
    whole = SmallArchive(tmp_path / "whole")
    whole.whole_set()
    whole.root.joinpath("calibration").rename(filed.root / "calibration of the other camera")
    assert gather().exit_code is ExitCode.PROVEN


def test_a_damaged_frame_is_laid_out_and_told(filed: SmallArchive, gather: Gather) -> None:
    light = filed.root / "M 33/data/2026-03-14/Ha/light_1.fits"
    damage = Finding(FindingKind.DATASUM_WRONG, "it says 1 and is 2")
    filed.relist(light, findings=(damage,))
    outcome = gather()
    assert outcome.remarks == (replace(damage, path="M 33/data/2026-03-14/Ha/light_1.fits"),)
    assert outcome.exit_code is ExitCode.PROVEN


# Once more


@pytest.mark.parametrize("means", list(Means))
def test_a_second_run_changes_nothing(
    filed: SmallArchive, folder: Path, gather: Gather, means: Means
) -> None:
    gather(means=means)
    before = {path: path.lstat() for path in folder.rglob("*")}
    outcome = gather(means=means)
    assert {path: path.lstat().st_ino for path in folder.rglob("*")} == {
        path: facts.st_ino for path, facts in before.items()
    }
    assert all(path.lstat().st_mtime_ns == facts.st_mtime_ns for path, facts in before.items())
    assert outcome.count(How.THERE_BEFORE, How.LINKED_BEFORE) == len(WHOLE)


def test_a_second_run_adds_what_is_new_and_keeps_the_earlier_tables(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    gather()
    earlier = (folder / "M 33 matches.csv").read_bytes()
    filed.light("later.fits", night=LATER)
    outcome = gather()
    assert outcome.count(How.HARD_LINK) == 1
    assert frames_in(folder) == sorted([*WHOLE, "lights/M 33/Ha/2026-03-20/later.fits"])
    assert (folder / "M 33 matches (2).csv").read_bytes() == earlier
    assert (folder / "M 33 matches.csv").read_bytes() != earlier


@pytest.mark.parametrize("means", [Means.HARD_LINK, Means.COPY])
def test_a_light_that_was_put_aside_in_the_folder_stays_there(
    filed: SmallArchive, folder: Path, gather: Gather, means: Means
) -> None:
    gather(means=means)
    (folder / "rejected").mkdir()
    (folder / "lights/M 33/Ha/2026-03-14/light_1.fits").rename(folder / "rejected/light_1.fits")
    outcome = gather(means=means)
    assert outcome.count(How.HARD_LINK, How.COPY) == 0
    assert "lights/M 33/Ha/2026-03-14/light_1.fits" not in frames_in(folder)


def test_other_content_under_a_frames_name_is_kept_beside_it(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    mine = folder / "lights/M 33/Ha/2026-03-14/light_1.fits"
    mine.parent.mkdir(parents=True)
    mine.write_bytes(b"mine")
    outcome = gather()
    assert mine.read_bytes() == b"mine"
    assert (mine.parent / "light_1 (2).fits").samefile(filed.root / "M 33/data/2026-03-14/Ha/light_1.fits")
    assert [(one.kind, one.path) for one in outcome.remarks] == [
        (FindingKind.KEPT_BOTH, "lights/M 33/Ha/2026-03-14/light_1 (2).fits")
    ]


def test_a_copy_that_a_program_changed_is_kept_and_the_frame_laid_out_beside_it(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    gather(means=Means.COPY)
    changed = folder / "lights/M 33/Ha/2026-03-14/light_1.fits"
    changed.write_bytes(changed.read_bytes()[:-1] + b"!")
    outcome = gather(means=Means.COPY)
    assert outcome.count(How.COPY) == 1
    assert changed.read_bytes().endswith(b"!")
    assert (changed.parent / "light_1 (2).fits").is_file()


def test_a_copy_with_another_time_is_known_by_its_content(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    gather(means=Means.COPY)
    os.utime(folder / "lights/M 33/Ha/2026-03-14/light_1.fits", ns=(0, 0))
    assert gather(means=Means.COPY).count(How.THERE_BEFORE) == len(WHOLE)


# The archive


def test_a_folder_in_the_archive_is_refused(filed: SmallArchive, gather: Gather) -> None:
    with pytest.raises(ConfigurationError, match="lies in the archive"):
        gather(into=filed.root / "M 33" / "run")
    assert not (filed.root / "M 33" / "run").exists()


def test_an_archive_that_is_not_there_is_told(tmp_path: Path, filed: SmallArchive, gather: Gather) -> None:
    filed.root.rename(tmp_path / "unplugged")
    with pytest.raises(NotThere, match="not there"):
        gather()


# What would be laid out


def test_a_dry_run_writes_nothing_and_says_what_would_lie_where(
    archive: SmallArchive, gather: Gather, folder: Path
) -> None:
    archive.light("a.fits")
    archive.whole_set()
    planned = gather(dry_run=True)
    assert not folder.exists()
    assert planned.count(How.PLANNED) == len(planned.laid_out) == 9
    assert planned.planned_bytes == 9 * 5760
    assert (
        planned.message
        == f"M 33: 1 light, 0.1 h, and 8 calibration frames would lie in {folder}; nothing is missing."
    )
    assert planned.exit_code is ExitCode.PROVEN
    laid_out = gather()
    assert [each.path for each in planned.laid_out] == [each.path for each in laid_out.laid_out]
    again = gather(dry_run=True)
    assert (again.count(How.PLANNED), again.count(How.LINKED_BEFORE)) == (0, 9)


def test_a_dry_run_needs_no_folder_and_names_what_is_missing(archive: SmallArchive, gather: Gather) -> None:
    archive.light("a.fits")
    outcome = gather(into=None, dry_run=True)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert {row.kind.value for row in outcome.missing} == {"dark", "flat", "bias"}
    assert outcome.as_json()["folder"] is None


# What was made from raw frames


def test_stacks_are_no_lights_and_masters_stand_in_apart(
    archive: SmallArchive, gather: Gather, folder: Path
) -> None:
    archive.light("raw.fits")
    archive.light("stack.fits", IMAGETYP="Integrated Light", EXPTIME=36000.0)
    archive.calibration("Dark", "master.fits", IMAGETYP="Master Dark")
    outcome = gather()
    assert (len(outcome.lights), outcome.hours) == (1, 300 / 3600)
    assert frames_in(folder) == [
        "lights/M 33/Ha/2026-03-14/raw.fits",
        "master darks/300s gain 100 -10C/master.fits",
    ]
    stages = {each["path"].rpartition("/")[2]: each["stage"] for each in outcome.as_json()["laid_out"]}
    assert stages == {"raw.fits": "raw", "master.fits": "master"}


def test_masters_and_raw_frames_are_never_mixed(
    archive: SmallArchive, gather: Gather, tmp_path: Path
) -> None:
    archive.light("raw.fits")
    archive.whole_set(5)
    archive.calibration("Dark", "master.fits", IMAGETYP="Master Dark")
    assert "master.fits" not in " ".join(frames_in(gather().folder or tmp_path))
    gather(into=tmp_path / "other", masters_first=True)
    laid_out = frames_in(tmp_path / "other")
    assert [path for path in laid_out if "dark" in path and "flat" not in path] == [
        "master darks/300s gain 100 -10C/master.fits"
    ]


def test_a_target_of_stacks_alone_has_no_lights_to_gather(archive: SmallArchive, gather: Gather) -> None:
    archive.light("stack.fits", IMAGETYP="Integrated Light")
    with pytest.raises(NothingToGather, match="no raw lights of M 33, only 1 stack or calibrated frame"):
        gather()


def test_flats_fit_lights_by_the_filters_name_in_the_configuration(
    archive: SmallArchive, gather: Gather
) -> None:
    archive.light("a.fits", filter_name="narrow red")
    archive.whole_set()
    assert {row.kind.value for row in gather(dry_run=True).missing} == {"flat"}
    own = NameTables(filters={"narrow red": "Ha"})
    assert gather(dry_run=True, own=own).missing == []


def test_a_frame_known_to_be_damaged_is_not_laid_out_and_the_lights_are_matched_without_it(
    filed: SmallArchive, folder: Path, gather: Gather
) -> None:
    """Its size and time are as listed: only what `check` kept tells."""
    known = {"data/2026-03-14/Ha/light_0.fits": "other content"}
    (statement,) = damage_statements(known, datetime(2026, 6, 1, tzinfo=UTC))
    (filed.root / "M 33/nightferry/said-damaged.jsonl").write_bytes(with_statement(b"", statement))
    outcome = gather()
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert len(outcome.lights) == 1
    assert not list(folder.rglob("light_0.fits"))
    (finding,) = [one for one in outcome.failures if one.path.endswith("light_0.fits")]
    assert finding.kind is FindingKind.CHANGED
    assert "found damaged" in finding.detail
