"""A folder becomes a drive: marked, measured, and told what it cannot hold. Nothing else is left on it."""

import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest

from manifests.findings import FindingKind
from tests.support.faulty_drive import faulty, need_fuse
from tests.support.recorded_windows import System
from transfer.engine.drive import MARK_NAME, only_run_on, read_mark
from transfer.engine.medium import Volume, this_computer
from transfer.engine.medium.windows.medium import WindowsMedium
from transfer.errors import Busy, ConfigurationError, DriveFailed, NotThere
from transfer.jobs import prepare as room
from transfer.jobs.prepare import from_memory, prepare

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _small(monkeypatch):
    """Measure with little: a test proves that it is done, not how fast a disk is."""
    monkeypatch.setattr(room, "_MEASURE_BYTES", 2 << 20)


def prepared(path, name="Field stick"):
    return prepare(path, name, this_computer(), NOW)


def test_a_folder_gets_a_mark_that_says_what_was_measured(tmp_path):
    outcome = prepared(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [MARK_NAME]
    mark = read_mark(tmp_path)
    assert (mark.id, mark.name, mark.prepared) == (outcome.mark.id, "Field stick", NOW)
    assert mark.write_bytes_per_s > 0
    assert mark.read_bytes_per_s > 0


def test_a_drive_that_is_prepared_again_keeps_its_id_and_its_name(tmp_path):
    first = prepared(tmp_path).mark
    again = prepared(tmp_path, None).mark
    assert (again.id, again.name) == (first.id, "Field stick")
    renamed = prepared(tmp_path, "Another name")
    assert (renamed.mark.id, renamed.mark.name) == (first.id, "Another name")
    assert renamed.called_before == "Field stick"
    assert not prepared(tmp_path, "Another name").called_before


def test_on_windows_a_drive_of_its_own_is_not_taken_for_the_system_s(tmp_path, monkeypatch):
    monkeypatch.setenv("SYSTEMDRIVE", "C:")
    medium = WindowsMedium(System(tmp_path))
    assert medium.system_volume().root == Path("C:\\")
    assert medium.volume_of(Path("E:\\nights")).root == Path("E:\\")


def test_a_second_drive_of_one_name_is_told(tmp_path):
    class WithAnother(type(this_computer())):
        def volumes(self):
            return [Volume(tmp_path / "first", "ext4", ""), Volume(tmp_path / "second", "ext4", "")]

    for name in ("first", "second"):
        (tmp_path / name).mkdir()
    first = prepare(tmp_path / "first", "Field stick", WithAnother(), NOW)
    second = prepare(tmp_path / "second", "Field stick", WithAnother(), NOW)

    def told(outcome):
        return [found.detail for found in outcome.findings if found.kind is FindingKind.SAME_NAME]

    assert told(first) == []
    (detail,) = told(second)
    assert detail.startswith(f"{tmp_path / 'first'};")
    assert told(prepare(tmp_path / "second", "Card", WithAnother(), NOW)) == []


def test_the_root_of_the_systems_own_disk_is_refused(tmp_path):
    class RunsFromHere(type(this_computer())):
        def system_volume(self):
            return Volume(tmp_path, "ext4", "")

    with pytest.raises(ConfigurationError, match="make a folder on it") as refused:
        prepare(tmp_path, "Field stick", RunsFromHere(), NOW)
    assert (refused.value.path, list(tmp_path.iterdir())) == (str(tmp_path), [])
    (tmp_path / "nights").mkdir()
    assert prepare(tmp_path / "nights", "Field stick", RunsFromHere(), NOW).mark.name == "Field stick"


def test_what_is_on_the_drive_stays(tmp_path):
    (tmp_path / "holiday.jpg").write_bytes(b"a picture")
    prepared(tmp_path)
    assert (tmp_path / "holiday.jpg").read_bytes() == b"a picture"


def test_a_new_drive_needs_a_name(tmp_path):
    with pytest.raises(ConfigurationError, match="name"):
        prepared(tmp_path, None)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told(tmp_path):
    with pytest.raises(NotThere):
        prepared(tmp_path / "nowhere")


def test_a_drive_that_a_run_is_at_work_on_is_left_alone(tmp_path):
    prepared(tmp_path)
    with only_run_on(tmp_path, this_computer()), pytest.raises(Busy):
        prepared(tmp_path)


def test_a_folder_on_the_systems_disk_is_told(tmp_path):
    finding = FindingKind.SYSTEM_DISK
    assert finding in {found.kind for found in prepared(tmp_path).findings}


@pytest.mark.parametrize(
    ("kind", "largest", "medium"),
    [("exfat", 2**64 - 1, True), ("ext4", 16 << 40, True), ("fat32", 2**32 - 1, False)],
)
def test_a_volume_says_what_it_cannot_hold_and_whether_it_can_be_proven(volumes, kind, largest, medium):
    with volumes(kind) as drive:
        outcome = prepared(drive.path, f"Stick for {kind} alone")  # what else is connected has other names
        assert outcome.limits.largest_file_bytes == largest
        assert from_memory(outcome) is not medium
        assert outcome.as_json()["read_back"] == ("medium" if medium else "perhaps memory")
        assert outcome.findings == ()


def test_a_drive_with_little_room_is_marked_and_not_measured(volumes, monkeypatch):
    monkeypatch.setattr(room, "_MEASURE_BYTES", 64 << 20)
    with volumes("exfat") as drive:
        outcome = prepared(drive.path)
        assert outcome.measured is None
        assert (outcome.mark.write_bytes_per_s, outcome.mark.read_bytes_per_s) == (None, None)
        assert read_mark(drive.path) == outcome.mark


def test_a_write_protected_volume_is_told(volumes):
    with volumes("ext4") as drive:
        subprocess.run(["mount", "-o", "remount,ro", drive.path], check=True)
        with pytest.raises(DriveFailed, match="cannot be written"):
            prepared(drive.path)


@pytest.mark.parametrize(
    "rule", ["fsync||1|9999|EIO", "read|measure|1|9999|short", "write|drive|1|9999|flip"]
)
def test_a_drive_that_fails_while_it_is_measured_gets_no_mark(tmp_path, rule):
    need_fuse()
    with faulty(tmp_path / "faulty", rule) as drive, pytest.raises(DriveFailed):
        prepared(drive.path)


def test_a_drive_whose_mark_cannot_be_read_keeps_its_id(tmp_path):
    need_fuse()
    first = prepared(tmp_path).mark
    rule = f"read|{MARK_NAME}|1|9999|EIO"
    with (
        faulty(tmp_path / "faulty", rule, behind=tmp_path) as drive,
        pytest.raises(DriveFailed, match="mark cannot be read"),
    ):
        prepared(drive.path)
    assert read_mark(tmp_path).id == first.id
