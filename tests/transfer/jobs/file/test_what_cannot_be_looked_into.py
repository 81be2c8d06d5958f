"""Nights that cannot be looked into, and what is left of nights, are findings beside other nights."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from manifests.bags.paths import BAGIT_TXT, MANIFEST, PAYLOAD
from manifests.findings import FindingKind
from tests.support.desks import Desk
from tests.support.faulty_drive import faulty, need_fuse
from tests.support.nights import Computer, noise, prepared
from transfer.engine.bag.cold_reading import ColdReader
from transfer.engine.drive import MARK_NAME
from transfer.engine.medium import this_computer
from transfer.errors import ExitCode
from transfer.jobs.check.checking import check
from transfer.jobs.check.outcome import CheckOutcome
from transfer.jobs.send.survey import Scope


def checked(path: Path) -> CheckOutcome:
    return check([path], reader=lambda folder: ColdReader(this_computer(), folder))


def send_two_nights(computer: Computer, drive: Path) -> None:
    computer.small_night()
    computer.frame("later.fits", begun="2026-03-15T22:00:00", data=noise(100, 7))
    assert computer.send(drive, scope=Scope(everything=True)).exit_code is ExitCode.PROVEN


def test_a_night_that_cannot_be_listed_is_a_finding_beside_other_nights(
    computer: Computer, desk: Desk, tmp_path: Path
):
    need_fuse()
    behind = prepared(tmp_path / "behind", "Larch stick")
    send_two_nights(computer, behind)
    with faulty(tmp_path / "faulty", "readdir|/2026-03-14$|1|9999|EIO", behind=behind) as drive:
        outcome = desk.file(drive.path)
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
        assert outcome.filed == 1
        (finding,) = [each for each in outcome.all_findings() if each.kind is FindingKind.UNREADABLE]
        assert finding.path == str(drive.path / "2026-03-14")
        assert "1 place could not be looked at" in outcome.message
        again = checked(drive.path)
        assert again.exit_code is ExitCode.SOMETHING_UNPROVEN
        assert [each.path for each in again.all_findings()] == [str(drive.path / "2026-03-14")]


@pytest.mark.parametrize("gone", [(MANIFEST,), (PAYLOAD,), (PAYLOAD, MANIFEST)])
@pytest.mark.parametrize("marked", [True, False])
def test_what_is_left_of_a_night_is_a_finding_beside_other_nights(
    computer: Computer, stick: Path, desk: Desk, gone: tuple[str, ...], marked: bool
):
    """The wrecked night lies on a drive, or in a copy of one that is no drive."""
    send_two_nights(computer, stick)
    night = stick / "2026-03-14"
    for name in (BAGIT_TXT, *gone):
        if (night / name).is_dir():
            shutil.rmtree(night / name)
        else:
            (night / name).unlink()
    if not marked:
        (stick / MARK_NAME).unlink()
    outcome = desk.file(stick)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    (finding,) = [each for each in outcome.all_findings() if each.path == str(night)]
    assert "this was a bag" in finding.detail
    assert not [path for path in desk.files() if "light 1" in path or "entries" in path]
    again = checked(stick)
    assert again.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert [each.path for each in again.all_findings()] == [str(night)]
    assert len(again.bags) == 1


def test_a_wrecked_night_alone_is_not_called_a_folder_without_a_bag(computer: Computer, stick: Path):
    computer.small_night()
    computer.send(stick)
    (stick / "2026-03-14" / BAGIT_TXT).unlink()
    (stick / "2026-03-14" / MANIFEST).unlink()
    assert checked(stick).exit_code is ExitCode.SOMETHING_UNPROVEN


def test_a_persons_own_folder_on_a_drive_is_let_be(computer: Computer, stick: Path, desk: Desk):
    computer.small_night()
    computer.send(stick)
    (stick / "holiday" / "nightferry").mkdir(parents=True)
    (stick / "holiday" / "nightferry" / "notes.txt").write_text("none of ours")
    (stick / "System Volume Information").mkdir()
    assert desk.file(stick).exit_code is ExitCode.PROVEN
    assert checked(stick).exit_code is ExitCode.PROVEN
