"""A night compared with its bag on a drive."""

from tests.support.nights import NIGHT, assert_valid, payload, prepared
from transfer.errors import ExitCode


def test_a_night_carried_anew_keeps_its_names_though_its_old_list_was_damaged(computer, tmp_path):
    computer.small_night()
    drive = prepared(tmp_path / "drive")
    computer.send(drive)
    bag = drive / NIGHT.isoformat()
    names = set(payload(bag))
    pins = bag / "tagmanifest-sha256.txt"
    pins.write_bytes(b"".join(line.replace(b"0", b"1") for line in pins.read_bytes().splitlines(True)))
    assert computer.send(drive).exit_code is ExitCode.PROVEN
    assert set(payload(bag)) == names
    assert_valid(bag)
