"""What can go wrong with an archive, its index, its disk and the drives: said truly, and nothing is lost."""

from __future__ import annotations

import errno
import os
import shutil
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import bagit
import pytest

from manifests.findings import FindingKind
from manifests.index.schema import INDEX_NAME
from tests.support.desks import Desk
from tests.support.nights import Computer, assert_valid, fits, noise, prepared
from transfer.archive.contents import Holdings
from transfer.archive.mark import MARK_NAME, mark_text, new_mark, write_first_mark
from transfer.archive.naming import InUse
from transfer.engine.drive import drive_at
from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.base import Volume
from transfer.errors import ExitCode, Unforeseen
from transfer.events import BytesDone, Event, Waiting
from transfer.jobs.file import deliveries
from transfer.jobs.file.background import Background
from transfer.jobs.send.survey import Scope
from transfer.stop import Stop

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="made with Linux's own medium")

if sys.platform.startswith("linux"):
    from transfer.engine.medium.linux.medium import LinuxFolder, LinuxMedium

    Meddle = Callable[..., Any]

    class MeddledFolder(LinuxFolder):
        """A pinned folder; `meddle` is called before each act with its name and what it is about."""

        meddle: Meddle

        def create_file(self, path: str) -> int:
            self.meddle("create", path)
            return super().create_file(path)

        def open_file(self, path: str) -> int:
            self.meddle("open", path)
            return super().open_file(path)

        def replace(self, old: str, new: str) -> None:
            self.meddle("replace", new)
            super().replace(old, new)

        def stat(self, path: str) -> os.stat_result | None:
            self.meddle("stat", path)
            return super().stat(path)

        def make_folders(self, path: str) -> set[str]:
            self.meddle("folders", path)
            return super().make_folders(path)

        def flush_files(self, descriptors: Any) -> None:
            self.meddle("flush", "")
            super().flush_files(descriptors)

        def still_there(self) -> bool:
            return self.meddle("still there", "") is not False and super().still_there()

    class Meddled(LinuxMedium):
        """Linux, with something done before, or instead of, an act: `meddle(act, place)`."""

        def __init__(self, meddle: Meddle) -> None:
            self.meddle = meddle

        def pin(self, path: Path) -> PinnedFolder:
            self.meddle("pin", str(path))
            folder = MeddledFolder(path)
            folder.meddle = self.meddle
            return folder

        def lock(self, path: Path) -> int | None:
            self.meddle("lock", str(path))
            lock = super().lock(path)
            self.meddle("locked", str(path))
            return lock

        def volumes(self) -> list[Volume]:
            return self.meddle("volumes", "") or []

        def volume_of(self, path: Path) -> Volume:
            self.meddle("volume", str(path))
            return super().volume_of(path)


def failing(act: str, place: str, number: int, times: int = 9999) -> Meddle:
    """Return what fails an act at the places whose path has `place` in it, so many times."""
    left = iter(range(times))

    def meddle(done: str, where: str) -> None:
        if done == act and place in where and next(left, None) is not None:
            raise OSError(number, os.strerror(number), where)

    return meddle


@pytest.fixture
def night(computer: Computer, stick: Path) -> Path:
    """Return a drive with a small night."""
    computer.small_night()
    computer.send(stick)
    return stick


def details(outcome: Any) -> str:
    return "\n".join(finding.detail for finding in outcome.all_findings())


def test_an_archive_that_leaves_before_the_first_new_file_gives_no_word_for_those_it_has(
    computer: Computer, night: Path, desk: Desk
):
    desk.file(night)
    (before,) = night.glob("*/nightferry/acknowledgement-*.json")
    content = before.read_bytes()
    computer.frame("late.fits", data=noise(100, 9))
    computer.send(night)
    outcome = desk.file(night, medium=Meddled(failing("folders", "", errno.ENOTCONN)))
    assert outcome.exit_code is not ExitCode.PROVEN
    assert (outcome.filed, outcome.refused) == (0, 1)
    assert not outcome.deliveries[0].acknowledged
    assert before.read_bytes() == content
    assert desk.file(night).deliveries[0].acknowledged


# What is to be filed


def test_without_a_path_every_night_on_the_connected_drives_is_filed(night: Path, desk: Desk):
    medium = Meddled(lambda act, _: [Volume(night, "exfat", "/dev/none")] if act == "volumes" else None)
    outcome = desk.file(medium=medium)
    assert (outcome.exit_code, outcome.filed) == (ExitCode.PROVEN, 5)
    assert outcome.deliveries[0].acknowledged
    desk.assert_all_valid()


def test_only_the_drives_that_the_configuration_names_are_filed_without_a_path(night: Path, tmp_path: Path):
    desk = Desk(tmp_path / "desk with drives", '[[drive]]\nname = "Another stick"\n')
    medium = Meddled(lambda act, _: [Volume(night, "exfat", "/dev/none")] if act == "volumes" else None)
    outcome = desk.file(medium=medium)
    assert (outcome.exit_code, outcome.filed) == (ExitCode.NOT_THERE, 0)
    assert "'Another stick'" in outcome.message
    assert f"'Larch stick' at {night}" in outcome.message
    assert not list(desk.archive.iterdir())


def test_a_connected_drive_that_no_configured_name_covers_is_named_until_its_nights_are_filed(
    night: Path, tmp_path: Path
):
    own = prepared(tmp_path / "own stick", "Own stick")
    desk = Desk(tmp_path / "desk with drives", f"[[drive]]\nname = 'Own stick'\nfolder = '{own}'\n")
    medium = Meddled(lambda act, _: [Volume(night, "exfat", "/dev/none")] if act == "volumes" else None)
    outcome = desk.file(medium=medium)
    assert (outcome.exit_code, outcome.filed) == (ExitCode.SOMETHING_UNPROVEN, 0)
    assert outcome.message == "Nothing was filed: 'Larch stick' was passed over: no [[drive]] names it."
    assert outcome.next_step == f'To file it as well: nightferry file "{night}"'
    (finding,) = outcome.findings
    assert finding.path == str(night)
    assert "1 night on it" in finding.detail
    assert desk.file(night, medium=medium).exit_code is ExitCode.PROVEN
    outcome = desk.file(medium=medium)
    assert (outcome.exit_code, outcome.findings) == (ExitCode.PROVEN, ())


def test_a_night_that_has_grown_since_its_acknowledgement_is_passed_over_no_more_in_silence(
    night: Path, tmp_path: Path, computer: Computer
):
    own = prepared(tmp_path / "own stick", "Own stick")
    desk = Desk(tmp_path / "desk with drives", f"[[drive]]\nname = 'Own stick'\nfolder = '{own}'\n")
    medium = Meddled(lambda act, _: [Volume(night, "exfat", "/dev/none")] if act == "volumes" else None)
    assert desk.file(night, medium=medium).exit_code is ExitCode.PROVEN
    computer.frame("late.fits")
    computer.send(night)
    outcome = desk.file(medium=medium)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert "'Larch stick' was passed over" in outcome.message


def test_without_a_drive_that_is_connected_it_is_said_what_to_do(desk: Desk):
    outcome = desk.file(medium=Meddled(lambda *_: None))
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert "No prepared drive of any name is mounted" in outcome.message
    assert "nightferry file PATH" in outcome.next_step


@pytest.mark.parametrize("name", ["gone", "a file"])
def test_a_place_that_is_no_folder_is_said_before_anything_is_begun(tmp_path: Path, desk: Desk, name: str):
    (tmp_path / "a file").write_bytes(b"x")
    outcome = desk.file(tmp_path / name)
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert outcome.message == f"{tmp_path / name}: There is no such folder."
    assert not list(desk.archive.iterdir())


def test_a_bag_among_others_that_cannot_be_looked_at_is_named_and_the_others_are_filed(
    tmp_path: Path, desk: Desk
):
    for number, name in enumerate(("one", "two")):
        folder = tmp_path / "years" / name
        folder.mkdir(parents=True)
        (folder / "light.fits").write_bytes(fits(data=noise(100, number)))
        bagit.make_bag(os.fspath(folder), checksums=["sha256"])
    outcome = desk.file(tmp_path / "years", medium=Meddled(failing("stat", "one/nightferry", errno.EIO)))
    assert (outcome.exit_code, outcome.filed) == (ExitCode.SOMETHING_UNPROVEN, 1)
    assert [finding.path for finding in outcome.findings] == [str(tmp_path / "years" / "one")]
    assert "1 place could not be looked at" in outcome.message


def test_a_file_of_which_only_an_unknown_digest_is_kept_is_named_and_not_filed(tmp_path: Path, desk: Desk):
    folder = tmp_path / "others"
    folder.mkdir()
    (folder / "light.fits").write_bytes(fits())
    bagit.make_bag(os.fspath(folder), checksums=["sha256"])
    (folder / "tagmanifest-sha256.txt").unlink()
    (folder / "manifest-sha256.txt").rename(folder / "manifest-tally9.txt")
    outcome = desk.file(folder)
    assert (outcome.exit_code, outcome.filed) == (ExitCode.SOMETHING_UNPROVEN, 0)
    assert "no manifest has a digest of it that this program can make" in details(outcome)


def test_a_file_that_one_manifest_vouches_for_is_filed_though_another_is_of_an_unknown_algorithm(
    tmp_path: Path, desk: Desk
):
    folder = tmp_path / "others"
    folder.mkdir()
    (folder / "light.fits").write_bytes(fits())
    bagit.make_bag(os.fspath(folder), checksums=["sha256"])
    (folder / "tagmanifest-sha256.txt").unlink()
    (folder / "manifest-tally9.txt").write_text("00ff  data/light.fits\n")
    outcome = desk.file(folder)
    assert outcome.filed == 1
    assert list(desk.files().values()) == [fits()]


def test_a_dry_run_says_what_is_there_already_and_what_would_not_be_filed(tmp_path: Path, desk: Desk):
    folder = tmp_path / "others"
    folder.mkdir()
    for number in (1, 2):
        (folder / f"{number}.fits").write_bytes(fits(data=noise(100, number)))
    bagit.make_bag(os.fspath(folder), checksums=["sha256"])
    desk.file(folder)
    (folder / "data" / "1.fits").unlink()
    outcome = desk.file(folder, dry_run=True)
    assert outcome.message == (
        "Nothing was written: 0 files would be filed; 1 is in the archive already; 1 would not be filed."
    )


def test_two_targets_in_one_field_are_pointed_out(tmp_path: Path, desk: Desk):
    folder = tmp_path / "years"
    folder.mkdir()
    for target in ("Upper wisp", "Lower wisp"):
        header = fits(target=target)[:2880].rstrip().removesuffix(b"END")
        cards = {"RA": 202.4, "DEC": 47.2, "FOCALLEN": 480.0, "XPIXSZ": 3.76}
        header += b"".join(f"{key:<8}= {value:>20}".ljust(80).encode() for key, value in cards.items())
        (folder / f"{target}.fits").write_bytes((header + b"END").ljust(2880) + noise(2880))
    outcome = desk.file(folder)
    (finding,) = [one for one in outcome.all_findings() if one.kind is FindingKind.SAME_FIELD]
    assert "Upper wisp" in finding.detail
    assert "Lower wisp" in finding.detail
    assert "0.00° apart" in finding.detail


# The archive's folder


def test_an_archive_that_cannot_be_locked_takes_nothing(night: Path, desk: Desk):
    desk.file(night)
    before = desk.fingerprint()
    outcome = desk.file(night, medium=Meddled(failing("lock", MARK_NAME, errno.ENOLCK)))
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert "The archive cannot be locked" in outcome.message
    assert "with locks" in outcome.next_step
    assert desk.fingerprint() == before


def test_a_lock_on_a_mark_that_was_replaced_meanwhile_is_no_lock(night: Path, desk: Desk):
    """Two runs, each with the lock on a mark of its own, would both write."""
    desk.file(night)
    locked: list[str] = []
    heard: list[Event] = []

    def replace_the_mark(act: str, place: str) -> None:
        if act == "locked":
            locked.append(place)
            if len(locked) == 1:
                other = Path(place).with_name("restored")
                shutil.copy2(place, other)
                other.replace(place)

    outcome = desk.file(night, medium=Meddled(replace_the_mark), listen=heard.append)
    assert (outcome.exit_code, outcome.already_there) == (ExitCode.PROVEN, 5)
    assert len(locked) == 2
    assert any(isinstance(event, Waiting) for event in heard)


def test_a_folder_that_is_not_the_archive_any_more_once_it_is_held_takes_nothing(night: Path, desk: Desk):
    desk.file(night)

    def swap(act: str, place: str) -> None:
        if act == "pin" and place == str(desk.archive):
            other = mark_text(new_mark("other", datetime.now(UTC)))
            (desk.archive / MARK_NAME).write_text(other)

    outcome = desk.file(night, medium=Meddled(swap))
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert "The archive left while it was being opened" in outcome.message


def test_an_archive_whose_mark_vanishes_while_it_is_opened_takes_nothing(night: Path, desk: Desk):
    desk.file(night)
    outcome = desk.file(night, medium=Meddled(failing("open", MARK_NAME, errno.ENOENT)))
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert "The archive left while it was being opened" in outcome.message


@pytest.mark.parametrize("dry_run", [False, True])
@pytest.mark.parametrize("act", ["pin", "volume"])
def test_a_disk_that_fails_as_the_archive_is_opened_ends_the_run_with_a_word_to_the_person(
    night: Path, desk: Desk, act: str, dry_run: bool
):
    desk.file(night)
    medium = Meddled(failing(act, str(desk.archive), errno.EIO))
    outcome = desk.file(night, medium=medium, dry_run=dry_run)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert "Input/output error" in outcome.message
    assert outcome.next_step


def test_a_mark_that_cannot_be_opened_is_said(tmp_path: Path, desk: Desk):
    (desk.archive / MARK_NAME).mkdir()
    outcome = desk.file(tmp_path)
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert "The archive cannot be opened (is not an ordinary file)" in outcome.message


def test_a_mark_that_could_not_be_flushed_begins_no_archive_and_leaves_nothing(night: Path, desk: Desk):
    outcome = desk.file(night, medium=Meddled(failing("flush", "", errno.ENOSPC)))
    assert outcome.exit_code is ExitCode.DOES_NOT_FIT
    assert not list(desk.archive.iterdir())
    assert desk.file(night).exit_code is ExitCode.PROVEN


def test_a_mark_that_another_run_put_there_meanwhile_stays(tmp_path: Path):
    ours, theirs = (mark_text(new_mark(name, datetime.now(UTC))).encode() for name in ("ours", "theirs"))

    def overtaken(act: str, place: str) -> None:
        if act == "flush":
            (tmp_path / MARK_NAME).write_bytes(theirs)

    folder = Meddled(overtaken).pin(tmp_path)
    write_first_mark(folder, ours)
    folder.close()
    assert (tmp_path / MARK_NAME).read_bytes() == theirs
    assert [path.name for path in tmp_path.iterdir()] == [MARK_NAME]


# Its disk


def test_a_file_whose_name_the_archive_s_disk_refuses_is_named_and_the_others_are_filed(
    night: Path, desk: Desk
):
    outcome = desk.file(night, medium=Meddled(failing("stat", "light 1.fits", errno.EILSEQ)))
    assert (outcome.exit_code, outcome.filed, outcome.refused) == (ExitCode.SOMETHING_UNPROVEN, 4, 1)
    assert "the archive's disk refuses the name 'light 1.fits'" in details(outcome)
    desk.assert_all_valid()


def test_a_name_that_is_refused_only_when_it_is_given_is_named_and_the_others_are_filed(
    night: Path, desk: Desk
):
    outcome = desk.file(night, medium=Meddled(failing("replace", "Ha/light 1.fits", errno.EINVAL)))
    assert (outcome.exit_code, outcome.filed, outcome.refused) == (ExitCode.SOMETHING_UNPROVEN, 4, 1)
    assert "the archive's disk refuses its name" in details(outcome)
    assert not outcome.deliveries[0].acknowledged
    desk.assert_all_valid()


def test_a_disk_that_fails_as_it_is_asked_about_a_name_ends_the_run(night: Path, desk: Desk):
    outcome = desk.file(night, medium=Meddled(failing("stat", "light 1.fits", errno.EIO)))
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert "Input/output error" in outcome.message
    assert "light 1.fits" not in " ".join(desk.files())


def test_a_list_that_cannot_be_written_leaves_its_files_unclaimed_and_the_next_run_lists_them(
    night: Path, desk: Desk
):
    outcome = desk.file(night, medium=Meddled(failing("create", "manifest-sha256.txt.part", errno.ENOSPC)))
    assert outcome.exit_code is ExitCode.DOES_NOT_FIT
    assert outcome.filed == 0
    assert "the list of its bag could not be written" in details(outcome)
    assert not outcome.deliveries[0].acknowledged
    again = desk.file(night)
    assert (again.exit_code, again.refused) == (ExitCode.PROVEN, 0)
    assert again.deliveries[0].acknowledged
    desk.assert_all_valid()


def test_what_an_earlier_run_left_unlisted_in_a_damaged_bag_is_named_and_other_bags_are_filed_into(
    night: Path, computer: Computer, desk: Desk
):
    desk.file(night)
    bag = desk.archive / "M 51"
    (bag / "nightferry" / "journal.jsonl").write_bytes(b"")
    listed = bag / "nightferry" / "entries.jsonl"
    listed.write_bytes(listed.read_bytes().replace(b"600.0", b"900.0"))
    computer.log("late.log", b"23:50 parked\n")
    computer.send(night)
    outcome = desk.file(night)
    assert [one.path for one in outcome.findings if one.kind is FindingKind.UNFINISHED] == [str(bag)]
    assert "nights/2026-03-14/data/logs/late.log" in desk.files()


def test_an_archive_that_cannot_be_read_as_it_is_recovered_ends_the_run(night: Path, desk: Desk):
    desk.file(night)
    outcome = desk.file(night, medium=Meddled(failing("stat", "nightferry/journal.jsonl", errno.EIO)))
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert "Input/output error" in outcome.message


# Drives that leave, and runs that end


def test_a_drive_that_left_is_said_once_and_what_to_do(night: Path, desk: Desk):
    left = []

    def leave(act: str, place: str) -> Any:
        if act == "open" and place.startswith("2026-03-14/data") and not left:
            left.append(place)
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV), place)
        return False if act == "still there" and left else None

    outcome = desk.file(night, medium=Meddled(leave))
    vanished = [one for one in outcome.all_findings() if one.kind is FindingKind.VANISHED]
    assert [(one.detail, one.path) for one in vanished] == [
        ("the drive left while it was being read", str(night / "2026-03-14"))
    ]
    assert outcome.next_step.startswith("Plug the drive in again")
    assert not outcome.deliveries[0].acknowledged


def test_a_run_that_has_to_end_names_what_it_did_not_begin_of_several_nights(
    computer: Computer, stick: Path, desk: Desk
):
    from transfer.jobs.send.survey import Scope

    for day in (14, 15, 16):
        computer.frame(f"{day}.fits", begun=f"2026-03-{day}T22:00:00", data=noise(3_000_000, day))
    computer.send(stick, scope=Scope(everything=True))
    stop = Stop()

    def listen(event: Event) -> None:
        if isinstance(event, BytesDone):
            stop.ask("signal SIGTERM")

    outcome = desk.file(stick, stop=stop, listen=listen)
    assert outcome.exit_code is ExitCode.STOPPED_EARLY
    assert len(outcome.deliveries) < 3
    assert outcome.next_step.startswith("File again")
    desk.assert_all_valid()
    assert_valid(stick / "2026-03-14")
    assert desk.file(stick).exit_code is ExitCode.PROVEN


# The index


def garbage(path: Path) -> Path:
    path.write_bytes(b"no index at all" * 300)
    return path


def test_an_index_that_is_damaged_is_built_again_and_that_is_said(night: Path, desk: Desk):
    desk.file(night)
    garbage(desk.archive / INDEX_NAME)
    outcome = desk.file(night)
    assert (outcome.exit_code, outcome.already_there) == (ExitCode.PROVEN, 5)
    (told,) = [one for one in outcome.findings if one.kind is FindingKind.CHANGED]
    assert told.detail.endswith("it was built again from the bags")
    assert Path(told.path).is_file()


def test_an_index_that_fails_when_it_is_asked_has_nothing_and_says_so(tmp_path: Path):
    holdings = Holdings(garbage(tmp_path / INDEX_NAME))
    assert holdings.of([]) == {}
    assert holdings.findings == []
    assert holdings.of(["00" * 32]) == {}
    assert holdings.in_use() == InUse()
    assert [finding.kind for finding in holdings.findings] == [FindingKind.INDEX_BEHIND] * 2
    assert {finding.path for finding in holdings.findings} == {str(tmp_path / INDEX_NAME)}


# What goes on behind


def test_an_act_that_fails_in_the_background_is_raised_where_it_is_waited_for():
    done: list[str] = []
    with pytest.raises(Unforeseen, match="ZeroDivisionError"), Background() as background:  # noqa: PT012
        background.do(lambda: done.append("before"))
        background.wait()
        background.do(lambda: 1 // 0)  # type: ignore[arg-type, return-value]
        background.do(lambda: done.append("after"))
        background.wait()
    assert done == ["before"]


def test_an_act_that_fails_in_the_background_is_raised_at_the_end_though_nobody_waited():
    done: list[str] = []
    background = Background()
    with pytest.raises(Unforeseen, match="ZeroDivisionError"), background:  # noqa: PT012
        background.do(lambda: 1 // 0)  # type: ignore[arg-type, return-value]
        background.do(lambda: done.append("after"))
    assert done == []


def test_a_fault_in_the_foreground_is_not_hidden_by_one_in_the_background():
    background = Background()
    with pytest.raises(KeyError), background:  # noqa: PT012
        background.do(lambda: 1 // 0)  # type: ignore[arg-type, return-value]
        raise KeyError("foreground")


# Whenever it ends


class AskedAt(Stop):
    """A person asks the run to end just as it looks for the so-many-th time whether one has."""

    def __init__(self, looks: int) -> None:
        super().__init__()
        self._looks = iter(range(looks))

    @property
    def why(self) -> str:
        if next(self._looks, None) is None:
            self.ask("signal SIGTERM")
        return super().why


@pytest.mark.parametrize("looks", range(12))
def test_whenever_a_run_is_asked_to_end_what_is_filed_is_listed_and_the_next_one_files_the_rest(
    tmp_path: Path, desk: Desk, looks: int
):
    folder = tmp_path / "years"
    folder.mkdir()
    for number in range(3):
        (folder / f"{number}.fits").write_bytes(fits(data=noise(2000, number)))
    outcome = desk.file(folder, stop=AskedAt(looks))
    # A folder that was not walked to its end may have years more: all three filed is not yet all.
    ends = (ExitCode.PROVEN, ExitCode.STOPPED_EARLY) if outcome.filed == 3 else (ExitCode.STOPPED_EARLY,)
    assert outcome.exit_code in ends
    assert outcome.filed == len(desk.files())
    assert sum(account.filed + account.refused for account in outcome.deliveries) in (0, 3)
    desk.assert_all_valid()
    assert desk.file(folder).exit_code is ExitCode.PROVEN
    assert len(desk.files()) == 3


def test_an_archive_that_leaves_as_its_copies_are_read_back_claims_none_of_them(night: Path, desk: Desk):
    outcome = desk.file(night, medium=Meddled(failing("open", "M 51/data", errno.ENODEV)))
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert not any("M 51" in told.to for account in outcome.deliveries for told in account.files)
    assert not outcome.deliveries[0].acknowledged
    again = desk.file(night)
    assert (again.exit_code, again.refused) == (ExitCode.PROVEN, 0)
    assert len(desk.files()) == 5
    desk.assert_all_valid()


def test_a_file_that_the_archive_s_file_system_cannot_hold_is_named_and_the_others_are_filed(
    night: Path, desk: Desk
):
    medium = Meddled(failing("create", "nightferry-incoming/2.part", errno.EFBIG))
    outcome = desk.file(night, medium=medium)
    assert (outcome.exit_code, outcome.filed, outcome.refused) == (ExitCode.SOMETHING_UNPROVEN, 4, 1)
    desk.assert_all_valid()


def test_an_error_between_two_drives_keeps_the_account_of_the_first(
    computer: Computer, night: Path, desk: Desk, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
):
    """The drives are listed one after the other: the second fails when the first is in the archive."""
    other = prepared(tmp_path / "other stick", "Rowan stick")
    monkeypatch.setattr(deliveries, "find_drives", lambda *_: ([drive_at(night), drive_at(other)], []))
    names = LinuxFolder.names

    def failing_on_the_other(folder: LinuxFolder, path: str) -> Any:
        if folder.path == other and not path:
            raise OSError(errno.EIO, os.strerror(errno.EIO), str(other))
        return names(folder, path)

    monkeypatch.setattr(LinuxFolder, "names", failing_on_the_other)
    outcome = desk.file()
    assert (outcome.filed, outcome.exit_code) == (5, ExitCode.SOMETHING_UNPROVEN)
    assert outcome.deliveries[0].acknowledged
    assert "Input/output error" in outcome.message
    assert outcome.next_step.startswith("Look at what is there")


def test_a_fault_of_the_program_between_two_nights_keeps_the_account_of_the_first(
    computer: Computer, night: Path, desk: Desk, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
):
    computer.frame("later.fits", begun="2026-03-15T22:00:00", data=noise(100, 7))
    computer.send(night, scope=Scope(everything=True))
    real = deliveries.bag_delivery

    def faulty(pinned: Any, bag_path: str, *rest: Any) -> Any:
        if bag_path == "2026-03-15":
            raise LookupError("a slip")
        return real(pinned, bag_path, *rest)

    monkeypatch.setattr(deliveries, "bag_delivery", faulty)
    outcome = desk.file(night)
    assert (outcome.filed, outcome.exit_code) == (5, ExitCode.SOMETHING_UNPROVEN)
    assert outcome.deliveries[0].acknowledged
    assert "LookupError: a slip" in outcome.message


def test_a_dry_run_looks_whether_there_is_room(night: Path, desk: Desk):
    class FullFolder(LinuxFolder):
        def free_bytes(self) -> int:
            return 1_000_000 if self.path == desk.archive else super().free_bytes()

    class Full(LinuxMedium):
        def pin(self, path: Path) -> PinnedFolder:
            return FullFolder(path)

    outcome = desk.file(night, dry_run=True, medium=Full())
    assert outcome.exit_code is ExitCode.DOES_NOT_FIT
    assert outcome.would_be_filed == 5
    assert "5 files would be filed. What would be filed needs 16.8 MB" in outcome.message
    assert "there is room for 1.0 MB" in outcome.message
    assert outcome.next_step == "Make room on it, then file again."
    assert desk.file(night, dry_run=True).exit_code is ExitCode.PROVEN


@pytest.mark.parametrize("dry_run", [True, False])
def test_a_folder_without_a_file_may_be_the_place_of_a_disk_that_is_not_mounted(
    desk: Desk, tmp_path: Path, dry_run: bool
):
    (tmp_path / "share" / "frames").mkdir(parents=True)
    outcome = desk.file(tmp_path / "share", dry_run=dry_run)
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert "There is no file in this folder" in outcome.message
    assert "mounted?" in outcome.next_step


def test_a_drive_without_a_night_is_no_trouble(desk: Desk, stick: Path):
    assert desk.file(stick).exit_code is ExitCode.PROVEN


@pytest.mark.parametrize("number", [errno.EIO, errno.EROFS])
def test_files_of_a_batch_that_failed_midway_are_carried_again_to_the_same_places(
    computer: Computer, stick: Path, desk: Desk, number: int
):
    for light in range(4):
        computer.frame(f"light {light}.fits", data=noise(100, light))
    computer.send(stick)
    outcome = desk.file(stick, medium=Meddled(failing("replace", "Ha/light 2", number, 2)))
    assert (outcome.filed, outcome.exit_code) == (4, ExitCode.PROVEN)
    assert sorted(path.rpartition("/")[2] for path in desk.files()) == [f"light {n}.fits" for n in range(4)]
    desk.assert_all_valid()
