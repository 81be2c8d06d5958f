"""A drive that has a night which this computer has no record of: its own of long ago, or another's."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from manifests.findings import FindingKind
from tests.support.nights import Computer, assert_valid
from transfer.errors import ExitCode
from transfer.events import BytesDone, Event, Phase


def test_without_records_a_replaced_file_of_the_same_size_and_time_on_the_drive_is_found_and_carried_again(
    computer: Computer, stick: Path
):
    """The list is what an earlier run wrote, of which this computer knows nothing: the drive is read."""
    computer.small_night()
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    shutil.rmtree(computer.records)
    (copy,) = stick.rglob("light 1.fits")
    whole, stamp = copy.read_bytes(), copy.stat().st_mtime_ns
    copy.write_bytes(whole[:-100] + b"\xff" + whole[-99:])
    os.utime(copy, ns=(stamp, stamp))
    outcome = computer.send(stick)
    assert copy.read_bytes() == whole
    (finding,) = [each for each in outcome.all_findings() if each.kind is FindingKind.CHANGED]
    assert "it has other content now" in finding.detail
    assert outcome.exit_code is ExitCode.PROVEN
    assert_valid(stick / "2026-03-14")
    assert computer.send(stick).message.startswith("Nothing new to send")


def test_without_records_a_drive_is_read_once_and_then_remembered(computer: Computer, stick: Path):
    computer.small_night()
    computer.send(stick)
    shutil.rmtree(computer.records)
    compared: list[int] = []

    def listen(event: Event) -> None:
        if isinstance(event, BytesDone) and event.phase is Phase.COMPARING:
            compared.append(event.size_bytes)

    outcome = computer.send(stick, listen=listen)
    assert outcome.message.startswith("Nothing new to send")
    payload = sum(path.stat().st_size for path in (stick / "2026-03-14/data").rglob("*") if path.is_file())
    assert sum(compared) == 2 * payload  # the sources, and their copies
    compared.clear()
    computer.send(stick, listen=listen)
    assert compared == []
