"""Whether there is room for a night on a drive."""

from tests.support.nights import NIGHT, assert_valid, noise, prepared
from transfer.errors import ExitCode


def test_room_is_counted_without_what_a_dead_run_left_half_written(volumes, computer):
    """The drive was pulled in the middle: its temporary files take the room that the night needs."""
    computer.frames_of(8, 3 << 20)
    with volumes("exfat", size_mb=40) as drive:
        prepared(drive.path)
        incoming = drive.path / NIGHT.isoformat() / "nightferry/incoming"
        incoming.mkdir(parents=True)
        (incoming.parent / "journal.jsonl").touch()
        (incoming / "1.part").write_bytes(noise(14 << 20))
        outcome = computer.send(drive.path)
        assert (outcome.exit_code, outcome.files_proven) == (ExitCode.PROVEN, 8)
        assert_valid(drive.path / NIGHT.isoformat())


def test_what_a_dead_run_left_of_an_earlier_night_is_no_obstacle_either(volumes, computer):
    computer.frames_of(8, 3 << 20)
    with volumes("exfat", size_mb=40) as drive:
        prepared(drive.path)
        incoming = drive.path / "2026-03-10/nightferry/incoming"
        incoming.mkdir(parents=True)
        (incoming.parent / "journal.jsonl").touch()
        (incoming / "1.part").write_bytes(noise(14 << 20))
        outcome = computer.send(drive.path)
        assert (outcome.exit_code, outcome.files_proven) == (ExitCode.PROVEN, 8)
