"""The recorder is an instrument: here it is compared with a drive that was written to by hand."""

from __future__ import annotations

import os
import random

import pytest

from tests.support.recorder import Act, Recording, recorder
from tests.support.volumes import need, volume_in

KINDS = ("ext4", "exfat", "ntfs")


def _write(path, content):
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


@pytest.mark.volume
@pytest.mark.parametrize("kind", KINDS)
def test_what_was_flushed_is_on_the_medium_at_the_last_recorded_flush(kind, tmp_path):
    need(kind)
    (tmp_path / "mounted").mkdir()
    content = random.Random(7).randbytes(70_001)
    with recorder(tmp_path / "recorded", kind, tmp_path / "mounted", 20) as recorded:
        before = recorded.position()
        _write(tmp_path / "mounted/frame.fits", content)
        recording, (began, ended) = recorded.read(before, recorded.position())
    assert began < recording.flushed_before(ended)
    left = recording.cut(recording.image(recording.flushed_before(ended)), ended, 0.0, random.Random(1))
    (tmp_path / "left").write_bytes(left)
    with volume_in(kind, tmp_path / "left", tmp_path / "mounted", new=False) as drive:
        assert (drive.path / "frame.fits").read_bytes() == content


def test_a_cut_keeps_all_that_was_flushed_and_some_sectors_of_the_rest():
    flushed, unflushed = b"F" * 1024, b"U" * (512 * 200)
    acts = (Act(1, 0, flushed, False), Act(2, 0, b"", True), Act(3, 1024, unflushed, False))
    recording = Recording(512 * 202, acts)
    left = recording.cut(recording.image(recording.flushed_before(3)), 3, 0.5, random.Random(1))
    assert left[:1024] == flushed
    sectors = [bytes(left[at : at + 512]) for at in range(1024, len(left), 512)]
    assert set(sectors) == {b"U" * 512, bytes(512)}


def test_a_flush_after_the_moment_of_a_cut_does_not_count():
    acts = (Act(1, 0, b"A" * 512, False), Act(2, 0, b"", True))
    recording = Recording(512, acts)
    assert recording.flushed_before(1) == 0
    assert recording.flushed_before(2) == 2
