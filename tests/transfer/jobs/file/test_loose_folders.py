"""Folders from years before: any tree, no bag, dated by the headers and by this site, or by theirs."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from manifests.findings import FindingKind
from tests.support.desks import Desk
from tests.support.faulty_drive import faulty, need_fuse
from tests.support.nights import EVENING_NS, Computer, fits, noise
from tests.support.systems import need_links
from tests.support.volumes import need
from transfer.engine.drive import MARK_NAME
from transfer.errors import ExitCode
from transfer.events import Event, PhaseBegan
from transfer.jobs.file import loose_items
from transfer.stop import Stop


@pytest.fixture
def years(tmp_path: Path) -> Path:
    """Return a folder with a tree of frames and other files of one evening."""
    folder = tmp_path / "From years before"
    for number, name in enumerate(("a/b/c/light.fits", "light.FIT", "notes.txt", "x/dark.fits")):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        kind = "Dark" if "dark" in name else "Light"
        path.write_bytes(b"seeing 3/5" if name == "notes.txt" else fits(kind=kind, data=noise(99, number)))
        os.utime(path, ns=(EVENING_NS, EVENING_NS))
    return folder


def test_any_tree_of_frames_is_filed_and_nothing_of_it_is_left_behind(years: Path, desk: Desk):
    outcome = desk.file(years)
    assert (outcome.exit_code, outcome.filed) == (0, 4)
    assert (
        sorted(desk.files())
        == [
            "M 51/data/2026-03-14/Ha/light.FIT",
            "M 51/data/2026-03-14/Ha/light.fits",
            "calibration/data/camera not given/dark/2026-03-14/dark.fits",
            "nights/2026-03-14/data/From years before/notes.txt",
        ]
        or len(desk.files()) == 4
    )  # where case does not count, one of the lights is numbered
    entry = desk.entry("nights/2026-03-14/data/From years before/notes.txt")
    assert (entry.source, entry.original, entry.drive) == ("From years before", "notes.txt", None)
    desk.assert_all_valid()


def test_names_that_differ_only_in_case_are_told_apart(years: Path, desk: Desk):
    desk.file(years)
    lights = [path for path in desk.files() if path.startswith("M 51")]
    assert len({path.lower() for path in lights}) == 2


def test_a_folder_is_carried_a_portion_at_a_time(years: Path, desk: Desk, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(loose_items, "_PORTION_FILES", 1)
    outcome = desk.file(years)
    assert (outcome.exit_code, outcome.filed, len(desk.files())) == (0, 4, 4)
    desk.assert_all_valid()


def test_a_night_is_dated_by_the_sites_longitude(tmp_path: Path):
    folder = tmp_path / "years"
    folder.mkdir()
    (folder / "light.fits").write_bytes(fits(begun="2026-03-15T01:00:00"))
    east = Desk(tmp_path / "east", site="[site]\nlongitude = 170.0\n")
    west = Desk(tmp_path / "west", site="[site]\nlongitude = -110.0\n")
    east.file(folder)
    west.file(folder)
    assert list(east.files()) == ["M 51/data/2026-03-15/Ha/light.fits"]
    assert list(west.files()) == ["M 51/data/2026-03-14/Ha/light.fits"]


def test_without_a_longitude_the_headers_own_site_tells_and_else_a_guess_is_said(tmp_path: Path):
    folder = tmp_path / "years"
    folder.mkdir()
    sited = fits(begun="2026-03-15T01:00:00").replace(
        b"FILTER  =                 'Ha'", b"SITELONG=                170.0"
    )
    assert b"SITELONG" in sited
    (folder / "sited.fits").write_bytes(sited)
    desk = Desk(tmp_path / "desk of nobody", site="")
    outcome = desk.file(folder)
    assert "2026-03-15" in next(iter(desk.files()))
    assert FindingKind.NO_LONGITUDE not in [finding.kind for finding in outcome.all_findings()]
    (folder / "unsited.fits").write_bytes(fits(begun="2026-03-15T01:00:00"))
    outcome = desk.file(folder)
    assert FindingKind.NO_LONGITUDE in [finding.kind for finding in outcome.all_findings()]


def test_a_frame_without_a_date_is_dated_by_its_file_and_that_is_said(tmp_path: Path, desk: Desk):
    folder = tmp_path / "years"
    folder.mkdir()
    path = folder / "light.fits"
    path.write_bytes(fits().replace(b"DATE-OBS", b"COMMENT "))
    os.utime(path, ns=(EVENING_NS, EVENING_NS))
    outcome = desk.file(folder)
    assert list(desk.files()) == ["M 51/data/2026-03-14/Ha/light.fits"]
    assert FindingKind.NO_DATE in [finding.kind for finding in outcome.all_findings()]


def test_a_file_that_cannot_be_read_is_named_and_the_others_are_filed(
    years: Path, desk: Desk, tmp_path: Path
):
    need("ext4")
    with faulty(tmp_path / "faulty", r"read|notes|1|9999|EIO", behind=years) as folder:
        outcome = desk.file(folder.path)
    assert (outcome.exit_code, outcome.filed, outcome.refused) == (1, 3, 1)
    assert "notes.txt" in " ".join(finding.path for finding in outcome.all_findings())


def test_a_frame_whose_header_cannot_be_read_is_not_filed_by_the_time_of_its_file(
    years: Path, desk: Desk, tmp_path: Path
):
    need_fuse()
    with faulty(tmp_path / "faulty", r"open|light.FIT|1|9999|EACCES", behind=years) as folder:
        outcome = desk.file(folder.path)
    assert (outcome.exit_code, outcome.filed, outcome.refused) == (1, 3, 1)
    assert "its header cannot be read" in " ".join(finding.detail for finding in outcome.all_findings())


def test_a_frame_that_another_program_had_for_a_moment_is_filed(years: Path, desk: Desk, tmp_path: Path):
    need_fuse()
    with faulty(tmp_path / "faulty", r"open|light.FIT|1|1|EACCES", behind=years) as folder:
        outcome = desk.file(folder.path)
    assert (outcome.exit_code, outcome.filed) == (0, 4)
    assert "M 51/data/2026-03-14/Ha/light.FIT" in desk.files()


def test_a_frame_of_somebody_else_s_bag_that_cannot_be_read_is_refused_and_looked_at_once_more(
    years: Path, desk: Desk, tmp_path: Path
):
    import bagit

    need_fuse()
    bagit.make_bag(os.fspath(years))
    others = years.parent / "others"
    others.mkdir()
    years.rename(others / "years")
    with faulty(
        tmp_path / "faulty", r"open|light.FIT|1|9999|EACCES", behind=years.parent / "others"
    ) as folder:
        outcome = desk.file(folder.path)
        assert (outcome.filed, outcome.refused) == (3, 1)
    with faulty(tmp_path / "once", r"open|light.FIT|1|1|EACCES", behind=others) as folder:
        assert desk.file(folder.path).refused == 0
    assert "M 51/data/2026-03-14/Ha/light.FIT" in desk.files()


@need_links
def test_a_link_that_leads_nowhere_is_a_finding(years: Path, desk: Desk):
    (years / "gone.fits").symlink_to("nowhere")
    outcome = desk.file(years)
    assert outcome.filed == 4
    assert "gone.fits" in " ".join(finding.path for finding in outcome.all_findings())


def test_bags_in_a_folder_are_held_against_their_manifests_and_the_rest_is_filed_beside(
    years: Path, desk: Desk
):
    import bagit

    inner = years / "nights" / "old bag"
    inner.mkdir(parents=True)
    (inner / "m33.fits").write_bytes(fits(target="M 33"))
    bagit.make_bag(os.fspath(inner))
    outcome = desk.file(years)
    assert (outcome.exit_code, outcome.filed) == (0, 5)
    assert not [path for path in desk.files() if "bagit" in path or "manifest" in path]


def test_what_would_be_filed_is_shown_and_nothing_is_written(years: Path, desk: Desk):
    outcome = desk.file(years, dry_run=True)
    assert (outcome.exit_code, outcome.would_be_filed, outcome.filed) == (0, 4, 0)
    assert not list(desk.archive.iterdir())
    would = {told.path: told.to for told in outcome.deliveries[0].files}
    desk.file(years)
    assert set(desk.files()) >= {to for to in would.values() if "FIT" not in to}
    before = sorted(path for path in desk.root.rglob("*") if path.is_file())
    again = desk.file(years, dry_run=True)
    assert (again.would_be_filed, again.already_there) == (0, 4)
    assert sorted(path for path in desk.root.rglob("*") if path.is_file()) == before


def test_a_run_told_to_end_looks_at_no_more_of_a_folder_and_does_not_say_that_it_is_done(
    years: Path, desk: Desk, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(loose_items, "_PORTION_FILES", 1)
    stop, portions = Stop(), iter(range(4))

    def listen(event: Event) -> None:
        if isinstance(event, PhaseBegan) and next(portions) == 1:
            stop.ask("signal SIGTERM")

    outcome = desk.file(years, stop=stop, listen=listen)
    assert outcome.exit_code is ExitCode.STOPPED_EARLY
    assert 1 <= len(outcome.deliveries[0].files) <= 2
    assert desk.file(years).exit_code is ExitCode.PROVEN
    assert len(desk.files()) == 4


def test_the_mark_and_the_receipt_of_a_copied_drive_are_none_of_the_frames(
    years: Path, desk: Desk, computer: Computer, stick: Path
):
    computer.small_night()
    computer.send(stick)
    shutil.copytree(stick, years / "copy of the stick")
    receipt = years / "READ ME FIRST.txt"
    receipt.write_text("what a person wrote")
    os.utime(receipt, ns=(EVENING_NS, EVENING_NS))
    outcome = desk.file(years)
    assert outcome.exit_code == 0
    assert not [path for path in desk.files() if "nightferry-drive" in path]
    assert [path for path in desk.files() if "READ ME" in path] == [
        "nights/2026-03-14/data/From years before/READ ME FIRST.txt"
    ]


@need_links
def test_a_drive_whose_mark_cannot_be_read_is_not_taken_for_a_folder(
    desk: Desk, computer: Computer, stick: Path
):
    computer.small_night()
    computer.send(stick)
    (stick / MARK_NAME).unlink()
    (stick / MARK_NAME).symlink_to(MARK_NAME)  # following it ends in an error of the system
    outcome = desk.file(stick)
    assert (outcome.exit_code, desk.files()) == (ExitCode.NOT_THERE, {})
    assert "cannot be opened" in outcome.message


def test_a_night_beside_a_mark_that_is_none_any_more_is_filed_as_of_no_drive(
    desk: Desk, computer: Computer, stick: Path
):
    computer.small_night()
    computer.send(stick)
    (stick / MARK_NAME).write_bytes(bytes(512))
    outcome = desk.file(stick)
    assert (outcome.exit_code, outcome.filed) == (0, 5)
    assert not any(account.acknowledged for account in outcome.deliveries)
    assert not [path for path in desk.files() if "READ ME" in path or MARK_NAME in path]
