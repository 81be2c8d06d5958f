import errno
import os
import posixpath
import socket
from pathlib import Path, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.bags.containment import NotOrdinary, danger, open_ordinary, read_small, real_file, suspicion
from tests.support.systems import need_links, need_pipes

HOSTILE = [
    "",
    "..",
    "../x",
    "data/../../x",
    "data/..",
    "data/..\\..\\x",
    "/etc/passwd",
    "//server/share/x",
    "\\\\server\\share\\x",
    "\\\\?\\C:\\x",
    "\\x",
    "~/x",
    "~user/x",
    "C:\\x",
    "C:x",
    "c:/x",
    "data/a\0b",
]


@pytest.mark.parametrize("path", HOSTILE)
def test_a_path_that_could_lead_out_is_refused_on_every_system(path: str) -> None:
    assert danger(path)


@pytest.mark.parametrize(
    "path", ["data/a", "data/..a", "data/a..", "data/~a", "data/a:b", "data/…/é", "x.txt"]
)
def test_a_path_that_only_looks_odd_is_not_dangerous(path: str) -> None:
    assert danger(path) == ""


@given(st.lists(st.sampled_from(["data", "..", ".", "a", "~b", "C:", "", "\\", "/", "..\\"]), max_size=6))
def test_no_path_that_is_let_through_leaves_its_folder(parts: list[str]) -> None:
    path = "/".join(parts)
    if not danger(path):
        assert posixpath.normpath(f"/bags/night/{path}").startswith("/bags/night")
        windows = PureWindowsPath("X:/bags/night") / path
        assert windows.parts[:3] == ("X:\\", "bags", "night")
        assert ".." not in windows.parts


@pytest.mark.parametrize(
    "path", ["data/CON", "data/nul.fits", "data/Com1.tar.gz", "data/lpt³", "data/aux /x"]
)
def test_a_device_of_some_systems_is_suspicious(path: str) -> None:
    assert suspicion(path, windows=False)
    assert suspicion(path, windows=True)


@pytest.mark.parametrize("path", ["data/a:stream", "data/a.", "data/b /x"])
def test_a_name_that_windows_takes_for_another_is_suspicious_there_only(path: str) -> None:
    assert suspicion(path, windows=True)
    assert suspicion(path, windows=False) == ""


@pytest.mark.parametrize("path", ["data/CONSOLE.log", "data/com", "data/COM0", "data/null.fits"])
def test_names_like_devices_are_not_devices(path: str) -> None:
    assert suspicion(path, windows=True) == ""


@need_links
def test_a_link_inside_the_folder_is_followed_to_its_file(tmp_path: Path) -> None:
    (tmp_path / "real").write_bytes(b"x")
    (tmp_path / "link").symlink_to("real")
    assert real_file(tmp_path, "link") == (tmp_path / "real").resolve()


@need_links
def test_a_link_to_a_folder_whose_name_only_begins_alike_is_outside(tmp_path: Path) -> None:
    (tmp_path / "night").mkdir()
    (tmp_path / "night-evil").mkdir()
    (tmp_path / "night-evil" / "x").write_bytes(b"x")
    (tmp_path / "night" / "link").symlink_to("../night-evil/x")
    with pytest.raises(NotOrdinary, match="leads out"):
        real_file(tmp_path / "night", "link")


@need_links
def test_a_link_that_runs_in_a_circle_is_an_error_of_the_system(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    with pytest.raises(OSError, match="symbolic links"):
        real_file(tmp_path, "a")


@need_pipes
def test_a_fifo_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    with pytest.raises(NotOrdinary):
        open_ordinary(tmp_path / "fifo")
    with pytest.raises(NotOrdinary):
        real_file(tmp_path, "fifo")


@need_pipes
def test_devices_sockets_and_folders_are_refused(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "s"))
        for path in (Path("/dev/null"), tmp_path, tmp_path / "s"):
            with pytest.raises(NotOrdinary):
                open_ordinary(path)


def test_an_ordinary_file_is_opened(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"abc")
    with open_ordinary(tmp_path / "a") as file:
        assert file.read() == b"abc"


def test_a_refusal_carries_its_reason_and_its_path(tmp_path: Path) -> None:
    with pytest.raises(NotOrdinary) as caught:
        open_ordinary(tmp_path)
    assert caught.value.reason == caught.value.strerror == "is not an ordinary file"
    assert (caught.value.errno, caught.value.filename) == (errno.EINVAL, str(tmp_path))


@pytest.mark.parametrize(
    ("path", "why"),
    [
        ("", "is empty or holds a NUL"),
        ("a\0b", "is empty or holds a NUL"),
        ("/a", "is absolute"),
        ("\\a", "is absolute"),
        ("~a", "starts at a home folder"),
        ("c:a", "starts with a drive letter"),
        ("a/../b", "climbs out of its folder"),
        ("a\\..\\b", "climbs out of its folder"),
    ],
)
def test_each_danger_is_said_by_its_name(path: str, why: str) -> None:
    assert danger(path) == why


@pytest.mark.parametrize(
    ("path", "why"),
    [
        ("data/a\\b", "holds a backslash, which separates folders on some systems"),
        ("data/CON", "names a device of some systems"),
        ("data/con  .txt", "names a device of some systems"),
        ("data/a:b", "means another file on this system"),
        ("data/CON\t", ""),
        ("data/CONX", ""),
    ],
)
def test_each_suspicion_is_said_by_its_name(path: str, why: str) -> None:
    assert suspicion(path, windows=True) == why


@need_pipes
def test_a_file_that_becomes_a_fifo_between_the_look_and_the_opening_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "manifest"
    path.write_bytes(b"x")
    facts = path.stat()
    path.unlink()
    os.mkfifo(path)
    monkeypatch.setattr(Path, "stat", lambda self: facts)
    before = open_descriptors()
    with pytest.raises(NotOrdinary):
        open_ordinary(path)
    assert open_descriptors() == before


def open_descriptors() -> int:
    """Count what this process holds open, where the system lists it."""
    try:
        with os.scandir("/proc/self/fd") as listed:
            return len(list(listed))
    except OSError:
        return 0


@pytest.mark.parametrize("path", ["data/a:b", "data/a.", "data/CON", "data/a"])
def test_unless_it_is_told_otherwise_a_name_is_judged_as_on_this_system(path: str) -> None:
    assert suspicion(path) == suspicion(path, windows=os.name == "nt")


def test_a_small_file_is_read_whole_and_a_larger_one_not_at_all(tmp_path: Path) -> None:
    (tmp_path / "small").write_bytes(b"12345")
    assert read_small(tmp_path / "small", 5) == b"12345"
    with pytest.raises(OSError, match="larger than such a file"):
        read_small(tmp_path / "small", 4)
