import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.bags.stored_names import portable_path
from transfer.engine.limits import APFS, EXFAT, EXT4, FAT32, HFS_PLUS, NTFS, cannot_hold, limits_of

FOUR_GIB = 4 << 30


@pytest.mark.parametrize(
    ("type_name", "limits"),
    [
        *[(name, FAT32) for name in ("vfat", "msdos", "FAT32", "FAT", "fuse.fusefat")],
        *[(name, EXFAT) for name in ("exfat", "exFAT", "fuse.exfat")],
        *[(name, NTFS) for name in ("ntfs", "ntfs3", "NTFS", "fuse.ntfs-3g", "ufsd_NTFS")],
        ("ext4", EXT4),
        ("apfs", APFS),
        ("hfs", HFS_PLUS),
        ("hfsplus", HFS_PLUS),
    ],
)
def test_every_system_s_name_for_a_type_is_known(type_name, limits):
    assert limits_of(type_name) is limits


def test_a_driver_in_user_space_gets_the_tighter_limits_of_what_it_may_be():
    limits = limits_of("fuseblk")
    assert limits.time_step_ns >= max(EXFAT.time_step_ns, NTFS.time_step_ns)
    assert cannot_hold(limits, "a.fits", FOUR_GIB) is None


@pytest.mark.parametrize("type_name", ["nfs4", "smbfs", "9p", "overlay", ""])
def test_nothing_is_claimed_about_what_is_not_known(type_name):
    assert limits_of(type_name) is None


def test_a_file_of_4_gib_is_refused_on_fat32_alone():
    assert cannot_hold(FAT32, "a.fits", FOUR_GIB - 1) is None
    sentence = cannot_hold(FAT32, "a.fits", FOUR_GIB)
    assert sentence == "It has 4,294,967,296 bytes; FAT32 holds at most 4,294,967,295 bytes in one file."
    assert cannot_hold(EXFAT, "a.fits", FOUR_GIB) is None


def test_a_name_is_measured_in_the_units_of_its_file_system():
    # Two bytes of UTF-8, one unit of UTF-16; decomposed it is two units.
    name = "é" * 200
    assert cannot_hold(EXFAT, name, 1) is None
    assert "400 bytes long" in cannot_hold(EXT4, name, 1)
    assert "400 UTF-16 units" in cannot_hold(HFS_PLUS, name, 1)
    # A star outside the basic plane is two units of UTF-16 and four bytes.
    assert "256 UTF-16 units" in cannot_hold(NTFS, "\U0001f320" * 128, 1)


def test_a_name_that_is_not_unicode_is_measured_by_its_bytes():
    assert cannot_hold(EXT4, "\udcff" * 255, 1) is None
    assert "256 bytes" in cannot_hold(EXT4, "\udcff" * 256, 1)
    assert "256 bytes" in cannot_hold(EXT4, "\ud800" * 256, 1)


def test_a_name_in_the_middle_of_a_path_is_looked_at_too():
    assert cannot_hold(EXFAT, f"data/{'x' * 256}/a.fits", 1)
    assert "'what?'" in cannot_hold(EXFAT, "data/what?/a.fits", 1)
    assert cannot_hold(EXT4, "data/what?/a.fits", 1) is None


def test_a_path_is_measured_as_a_whole():
    path = "/".join(["x" * 200] * 20)
    assert cannot_hold(EXT4, path, 1) is None
    assert "4,220 bytes" in cannot_hold(EXT4, f"{path}/{'y' * 200}", 1)
    assert cannot_hold(EXFAT, f"{path}/{'y' * 200}", 1) is None
    assert cannot_hold(EXFAT, "/".join(["x" * 200] * 164), 1)


@given(st.text(max_size=300))
def test_every_stored_name_fits_every_file_system_but_for_its_length(path):
    stored = portable_path(path.replace("/", "_"))
    for limits in (FAT32, EXFAT, NTFS, EXT4, APFS, HFS_PLUS):
        assert cannot_hold(limits, f"data/frames/{stored}", 1) is None
