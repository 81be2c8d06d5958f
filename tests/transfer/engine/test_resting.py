"""Drives at rest: each file system is flushed, whatever cannot be."""

from transfer.engine.resting import let_rest


def test_what_has_gone_is_passed_by_and_the_next_is_flushed(volumes, tmp_path):
    with volumes("ext4") as drive:
        (drive.path / "mount.log").write_bytes(b"22:00 slewing")
        before = drive.flushes()
        let_rest([tmp_path / "gone", drive.path / "gone", drive.path / "mount.log"])
        assert drive.flushes() > before
