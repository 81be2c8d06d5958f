"""How files are looked at on each system; Windows' part as pure choices, since it is not run here."""

import os
import sys
from types import SimpleNamespace

import pytest

from transfer.engine.medium import looking
from transfer.engine.medium.looking import (
    as_written,
    at_any_length,
    born_ns,
    facts_of,
    leads_to_a_folder,
    time_of_birth,
)


@pytest.mark.parametrize(
    ("path", "whole"),
    [
        ("C:\\observatory\\..\\frames", "\\\\?\\C:\\frames"),  # behind the prefix nothing resolves the dots
        ("C:/frames/M 51", "\\\\?\\C:\\frames\\M 51"),
        ("\\\\nas\\frames", "\\\\?\\UNC\\nas\\frames"),
        ("\\\\?\\C:\\frames", "\\\\?\\C:\\frames"),
    ],
)
def test_windows_is_asked_for_folders_that_may_lie_as_deep_as_they_like(path, whole):
    assert at_any_length(path, windows=True) == whole
    assert at_any_length(path, windows=False) == path


@pytest.mark.parametrize("path", ["C:\\frames\\M 51", "\\\\nas\\frames"])
def test_a_person_is_told_of_a_path_as_it_was_written(path):
    assert as_written(at_any_length(path, windows=True), windows=True) == path
    assert as_written("\\\\?\\C:\\x", windows=False) == "\\\\?\\C:\\x", "a name like any other"


def test_elsewhere_a_path_stays_as_it_is():
    assert at_any_length("/frames/../x") == "/frames/../x" or sys.platform == "win32"


def test_a_log_that_its_program_holds_open_is_asked_itself_on_windows(tmp_path):
    (tmp_path / "mount.log").write_bytes(b"slewing\n")
    with os.scandir(tmp_path) as found:
        entry = next(found)
    stale = SimpleNamespace(path=entry.path)  # what Windows lists tells the size of when it was opened
    assert facts_of(stays_open=True, windows=True)(stale).st_size == 8
    assert facts_of(stays_open=False, windows=True) is os.DirEntry.stat
    assert facts_of(stays_open=True, windows=False) is os.DirEntry.stat


@pytest.mark.parametrize(
    ("tag", "link"),
    [(0, False), (0xA0000003, True), (0x9000001A, False)],
    ids=["folder", "junction", "cloud"],
)
def test_a_junction_is_a_link_to_a_folder_and_a_folder_that_a_cloud_fills_is_none(tag, link):
    listed = SimpleNamespace(
        is_symlink=lambda: False, stat=lambda follow_symlinks: SimpleNamespace(st_reparse_tag=tag)
    )
    assert leads_to_a_folder(listed, windows=True) is link


def test_elsewhere_a_folder_is_not_asked_once_more_whether_it_is_a_link():
    assert leads_to_a_folder(SimpleNamespace(is_symlink=lambda: True), windows=False)
    assert not leads_to_a_folder(SimpleNamespace(is_symlink=lambda: False), windows=False)


@pytest.mark.skipif(sys.version_info >= (3, 12), reason="the form of before Python 3.12")
def test_a_birth_is_what_python_says_it_is_on_each_system():
    before = SimpleNamespace(st_ctime_ns=5, st_birthtime=7.5)
    told = time_of_birth(windows=True)
    assert told is not None
    assert told(before) == 5
    if hasattr(os.stat_result, "st_birthtime"):
        assert time_of_birth(windows=False)(before) == 7_500_000_000
    elif sys.platform == "linux":
        assert time_of_birth(windows=False) is None
        assert born_ns is None, "Linux' st_ctime is no birth"


@pytest.mark.parametrize(
    ("told", "windows", "born"),
    [
        ({"st_birthtime_ns": 1_773_500_000_123_456_700}, False, 1_773_500_000_123_456_700),
        ({"st_birthtime_ns": 1_773_500_000_123_456_700, "st_ctime_ns": 5}, True, 1_773_500_000_123_456_700),
        ({"st_ctime_ns": 1_773_500_000_123_456_700}, True, 1_773_500_000_123_456_700),
        ({"st_birthtime": 1_773_500_000.5, "st_ctime_ns": 5}, False, 1_773_500_000_500_000_000),
        ({"st_birthtime": 7.0, "st_ctime_ns": 1_773_500_000_000_000_000}, True, 1_773_500_000_000_000_000),
    ],
)
def test_a_time_of_birth_is_taken_from_where_each_system_and_python_keeps_it(
    monkeypatch, told, windows, born
):
    """Windows before Python 3.12 and since, and macOS, by the documentation of `os.stat_result`."""
    monkeypatch.setattr(looking.os, "stat_result", SimpleNamespace(**told))
    give = time_of_birth(windows=windows)
    monkeypatch.undo()
    assert give is not None
    assert give(SimpleNamespace(**told)) == born


def test_where_no_time_of_birth_is_kept_there_is_none(monkeypatch):
    monkeypatch.setattr(looking.os, "stat_result", SimpleNamespace(st_ctime_ns=5))
    give = time_of_birth(windows=False)
    monkeypatch.undo()
    assert give is None
