"""Windows' forms of a path; rules from Microsoft's "Naming files, paths, and namespaces"."""

from pathlib import PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from transfer.engine.medium.windows.paths import below, drive_roots, extended, plain, serial_text

VOLUME = "\\\\?\\Volume{6c1d2f0e-0000-0000-0000-100000000000}\\"


@pytest.mark.parametrize(
    ("path", "long"),
    [
        (r"C:\frames\a.fits", r"\\?\C:\frames\a.fits"),
        ("C:/frames/./a/../b.fits", r"\\?\C:\frames\b.fits"),
        ("E:\\", "\\\\?\\E:\\"),
        (r"\\nas\frames\2026", r"\\?\UNC\nas\frames\2026"),
        ("//nas/frames/2026", r"\\?\UNC\nas\frames\2026"),
        (r"\\?\C:\frames\a. ", r"\\?\C:\frames\a. "),
        (r"\\?\UNC\nas\frames", r"\\?\UNC\nas\frames"),
        (r"\\.\PhysicalDrive1", r"\\.\PhysicalDrive1"),
    ],
)
def test_an_absolute_path_gets_the_form_without_a_limit(path, long):
    assert extended(path) == long


@pytest.mark.parametrize("path", ["frames\\a.fits", "C:frames", "\\frames", ""])
def test_a_path_that_depends_on_where_the_program_is_stays_as_it_is(path):
    assert extended(path) == path


def test_a_path_of_a_thousand_letters_is_kept_whole():
    path = PureWindowsPath("C:\\", *["a folder of the night"] * 50, "light.fits")
    assert extended(str(path)) == f"\\\\?\\{path}"


def test_nothing_that_windows_would_cut_off_is_cut_off():
    assert extended("C:\\frames\\ends in a dot.") == "\\\\?\\C:\\frames\\ends in a dot."


@pytest.mark.parametrize(
    "path",
    [
        r"C:\frames\a.fits",
        "E:\\",
        r"\\nas\frames\2026",
        f"{VOLUME}2026-03-14",
        r"\\.\PhysicalDrive1",
        "",
        "frames",
        "/x",
    ],
)
def test_a_path_is_told_as_it_was_written(path):
    assert plain(extended(path)) == path


def test_all_that_lies_below_keeps_the_form_and_is_told_without_it():
    folder = PureWindowsPath(extended("C:/frames/2026-03-14"))
    deep = folder.joinpath("data", *["a folder of the night"] * 20, "light.fits")
    assert str(deep).startswith("\\\\?\\C:\\frames\\2026-03-14\\data\\")
    assert plain(str(deep)) == str(PureWindowsPath("C:/frames/2026-03-14") / deep.relative_to(folder))
    assert str(folder.parents[1]) == "\\\\?\\C:\\"
    share = PureWindowsPath(extended("//nas/frames")) / "2026-03-14"
    assert str(share) == "\\\\?\\UNC\\nas\\frames\\2026-03-14"
    assert plain(str(share)) == "\\\\nas\\frames\\2026-03-14"


@pytest.mark.parametrize(
    ("root", "path", "whole"),
    [
        (VOLUME, "", VOLUME),
        (VOLUME, "2026-03-14/data/a.fits", f"{VOLUME}2026-03-14\\data\\a.fits"),
        (f"{VOLUME}stick", "a b/é'.fits", f"{VOLUME}stick\\a b\\é'.fits"),
        ("\\\\?\\UNC\\nas\\frames", "a", "\\\\?\\UNC\\nas\\frames\\a"),
    ],
)
def test_a_path_below_is_made_of_its_parts(root, path, whole):
    assert below(root, path) == whole


@pytest.mark.parametrize(
    "path",
    [
        "../a",
        "a/../../b",
        "a/./b",
        "/a",
        "a//b",
        "a/",
        "C:/a",
        "a:stream",
        "a\\b",
        "..\\a",
        "a\0b",
        "a?",
        "\\\\nas\\x",
    ],
)
def test_a_path_that_leads_anywhere_else_is_refused(path):
    with pytest.raises(OSError, match="not a name"):
        below(VOLUME, path)


@given(st.text(max_size=30))
def test_no_text_whatever_climbs(path):
    try:
        whole = below(VOLUME, path)
    except OSError:
        return
    assert whole.startswith(VOLUME)
    parts = whole.removeprefix(VOLUME).split("\\")
    assert not {"..", "."} & set(parts)
    assert "/".join(parts) == path
    assert ":" not in path


def test_letters_are_those_of_the_bits():
    assert drive_roots(0b10110) == ["B:\\", "C:\\", "E:\\"]
    assert drive_roots(1 << 25) == ["Z:\\"]
    assert drive_roots(0) == []


def test_a_serial_number_reads_as_windows_shows_it():
    assert serial_text(0x1A2B3C4D) == "1A2B-3C4D"
    assert serial_text(0x42) == "0000-0042"
