"""The configuration against TOML's specification, and the table of limits against real file systems.

Sources: TOML v1.0.0 (toml.io, sections String, Integer, Float, Spec); the file systems of the Linux kernel
and of the drivers exfat-fuse, ntfs-3g and fusefat, made and mounted by the tests.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path, PureWindowsPath

import pytest

from tests.support.volumes import KINDS
from transfer.config import load_config
from transfer.config.folders import folder_as_written
from transfer.engine.limits import EXT4, cannot_hold, limits_of
from transfer.errors import ConfigurationError


@pytest.fixture
def loaded(tmp_path):
    def load(text):
        file = tmp_path / "nightferry.toml"
        file.write_text(text, encoding="utf-8", newline="")
        return load_config(file, {})

    return load


def test_a_literal_string_is_a_windows_path_as_the_specification_shows(loaded):
    # TOML v1.0.0, String: "winpath2 = '\\ServerX\admin$\system32\'", what you see is what you get.
    written = r"\\ServerX\admin$\system32" + "\\"
    folder = folder_as_written(written, PureWindowsPath("C:/night"), {})
    assert folder == PureWindowsPath(r"\\ServerX\admin$\system32")
    assert loaded(f"[archive]\nfolder = '{written}'\n").archive


# TOML v1.0.0, Integer and Float: the examples that lie within a longitude's range.
@pytest.mark.parametrize(
    ("written", "degrees"),
    [
        ("+99", 99.0),
        ("-17", -17.0),
        ("-0", 0.0),
        ("1_0", 10.0),
        ("0xB7", -177.0),
        ("0o71", 57.0),
        ("0b11010110", -146.0),
        ("+1.0", 1.0),
        ("3.1415", 3.1415),
        ("-0.01", -0.01),
        ("5e+1", 50.0),
        ("-2E-2", -0.02),
        ("6.626e-34", 6.626e-34),
    ],
)
def test_a_number_in_any_form_of_the_specification_is_a_longitude(loaded, written, degrees):
    assert loaded(f"[site]\nlongitude = {written}\n").site.longitude_deg == degrees


# TOML v1.0.0, Float and Integer: special values, and forms the specification calls invalid.
@pytest.mark.parametrize("written", ["inf", "-inf", "nan", "+nan", "01", ".7", "7.", "3.e+20", "1__0", "_1"])
def test_a_number_that_is_special_or_invalid_is_refused(loaded, written):
    with pytest.raises(ConfigurationError, match="longitude"):
        loaded(f"[site]\nlongitude = {written}\n")


# TOML v1.0.0, Spec: "TOML is case-sensitive"; Keys: defining a key or a table twice is invalid.
@pytest.mark.parametrize("text", ["[Site]\n", "[site]\nname = 'a'\nname = 'b'\n", "[site]\n[site]\n"])
def test_what_the_specification_forbids_is_refused(loaded, text):
    with pytest.raises(ConfigurationError):
        loaded(text)


# TOML v1.0.0, Table and Keys: dotted keys and inline tables say the same as a header does.
@pytest.mark.parametrize(
    "text", ["site.longitude = 3", "site = { longitude = 3 }", '[ "site" ]\r\n\tlongitude=3\r\n']
)
def test_other_ways_to_write_a_table_are_understood(loaded, text):
    assert loaded(text).site.longitude_deg == 3


def _type_of(place):
    lines = Path("/proc/self/mountinfo").read_text(encoding="utf-8").splitlines()
    return next(line.split(" - ")[1].split()[0] for line in lines if line.split()[4] == str(place))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the limits of Linux")
def test_linux_s_own_limits_are_those_of_the_table(tmp_path):
    assert os.pathconf(tmp_path, "PC_NAME_MAX") == EXT4.longest_name
    assert os.pathconf(tmp_path, "PC_PATH_MAX") == EXT4.longest_path + 1  # the ending zero


@pytest.mark.parametrize("kind", KINDS)
def test_a_real_file_system_is_known_by_the_type_it_reports(volumes, kind):
    with volumes(kind) as drive:
        assert limits_of(_type_of(drive.path)) is not None


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("time_ns", [1_773_500_000_000_000_100, 1_773_500_001_987_654_321])
def test_a_real_file_system_keeps_times_as_the_table_says(volumes, kind, time_ns):
    with volumes(kind) as drive:
        step_ns = limits_of(_type_of(drive.path)).time_step_ns
        file = drive.path / "a.fits"
        file.touch()
        os.utime(file, ns=(time_ns, time_ns))
        drive.unmount()
        drive.mount_again()
        assert abs(file.stat().st_mtime_ns - time_ns) < step_ns


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("letter", ["x", "é", "\U0001f320"])
def test_a_name_that_the_table_allows_can_be_made_and_a_longer_one_cannot(volumes, kind, letter):
    if kind == "fat32" and letter != "x":
        pytest.skip("this driver makes no names beyond ASCII")
    with volumes(kind) as drive:
        limits = limits_of(_type_of(drive.path))
        longest = max(n for n in range(1, 256) if cannot_hold(limits, letter * n, 1) is None)
        (drive.path / (letter * longest)).touch()
        with pytest.raises(OSError, match=r"too long|not permitted"):
            (drive.path / (letter * (longest + 1))).touch()
