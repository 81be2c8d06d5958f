"""Files that a person deleted or moved in the archive by hand: the bag is made true again."""

from __future__ import annotations

from manifests.findings import FindingKind
from tests.support.desks import Desk
from tests.transfer.jobs.amend.test_amend import M51, M101, amend, frames_listed, places, said
from transfer.jobs.amend.outcome import State

LIGHT = f"{M51}/light_2.fits"


def test_check_names_the_command_that_makes_the_bag_true_again(filed: Desk):
    (filed.archive / LIGHT).unlink()
    checked = filed.command("check", filed.archive)
    assert checked.exit == 1
    command = f'nightferry amend --gone "{filed.archive / LIGHT}"'
    assert checked.out.splitlines()[-1] == f"What you deleted or moved yourself: {command}"
    narrow = filed.command("check", filed.archive, environ={"COLUMNS": "60"})
    assert narrow.out.splitlines()[-2:] == ["What you deleted or moved yourself:", f"    {command}"]
    made = filed.command("amend", "--gone", filed.archive / LIGHT)
    assert (made.exit, made.out) == (0, "1 file taken out of its bag.\n")
    assert filed.command("check", filed.archive).exit == 0


def test_an_archive_that_no_configuration_names_is_named_in_the_command(filed: Desk, tmp_path):
    for number in (1, 2):
        (filed.archive / f"{M51}/light_{number}.fits").unlink()
    elsewhere = Desk(tmp_path / "elsewhere")
    checked = elsewhere.command("check", filed.archive)
    end = f'amend --gone --archive "{filed.archive}" "{filed.archive / M51}"'
    assert checked.out.splitlines()[-1].endswith(end)


def test_a_deleted_frame_is_off_every_list_and_the_bag_says_so(filed: Desk):
    (filed.archive / LIGHT).unlink()
    outcome = amend(filed, LIGHT, gone=True, because="a plane")
    assert [(frame.path, frame.state) for frame in outcome.frames] == [(LIGHT, State.GONE)]
    assert LIGHT not in places(filed)
    assert len([path for _, _, path in frames_listed(filed) if path.startswith("M 51")]) == 2
    (kept,) = said(filed, "M 51")
    assert (kept["gone"], kept["because"], kept["was"]) == (True, "a plane", {"path": LIGHT})


def test_a_folder_stands_for_all_that_is_missing_below_it(filed: Desk):
    (filed.archive / LIGHT).unlink()
    (filed.archive / f"{M51}/light_1.fits").unlink()
    outcome = amend(filed, "M 51", gone=True)
    assert len(outcome.done) == 2
    assert [path for path in places(filed) if path.startswith("M 51")] == [f"{M51}/light_3.fits"]


def test_what_is_there_is_not_taken_out(filed: Desk):
    before = filed.fingerprint()
    outcome = amend(filed, LIGHT, gone=True)
    assert outcome.exit_code == 1
    assert [finding.kind for finding in outcome.refused] == [FindingKind.NOT_AMENDED]
    assert filed.fingerprint() == before


def test_a_dry_run_takes_nothing_out(filed: Desk):
    (filed.archive / LIGHT).unlink()
    before = filed.fingerprint()
    outcome = amend(filed, LIGHT, gone=True, dry_run=True)
    assert [frame.state for frame in outcome.frames] == [State.WOULD_BE_GONE]
    assert filed.fingerprint() == before


def test_a_frame_moved_by_hand_into_another_targets_bag_is_of_that_target(filed: Desk):
    amend(filed, f"{M51}/light_1.fits", target="M 101")
    (filed.archive / LIGHT).rename(filed.archive / f"{M101}/mine.fits")
    (result,) = amend(filed, LIGHT, gone=True).frames
    assert (result.state, result.to) == (State.FOUND, f"{M101}/mine.fits")
    places(filed)
    assert ("M 101", "Ha", f"{M101}/mine.fits") in frames_listed(filed)
    assert filed.entry(f"{M101}/mine.fits").is_amended


def test_a_frame_renamed_by_hand_stays_what_it_is(filed: Desk):
    (filed.archive / LIGHT).rename(filed.archive / f"{M51}/best one.fits")
    before = filed.entry(LIGHT)
    amend(filed, LIGHT, gone=True)
    after = filed.entry(f"{M51}/best one.fits")
    assert (after.target, after.frame, after.findings) == (before.target, before.frame, before.findings)
    assert len(places(filed)) == 6


def test_a_deleted_frame_comes_back_when_its_stick_is_filed_again(filed: Desk, tmp_path):
    (filed.archive / LIGHT).unlink()
    amend(filed, LIGHT, gone=True)
    assert filed.file(tmp_path / "stick").filed == 1
    assert LIGHT in places(filed)
