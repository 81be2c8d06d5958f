import inspect
import os
import shutil
import socket
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest

from manifests.findings import Finding, FindingKind
from transfer.config import Source
from transfer.engine.sources import SourceFile, check_places, walk
from transfer.errors import ConfigurationError, ExitCode, NotThere

on_windows_itself = pytest.mark.skipif(os.name == "nt", reason="Wine calls it an invalid name")
posix_only = pytest.mark.skipif(os.name == "nt", reason="needs POSIX names and links")


def tree(root, *paths):
    for path in paths:
        file = root / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"frame")


def seen(folder, keep_out=(), **choice):
    """Return the paths of the files of a walk, and its findings by path."""
    return apart(walk(Source("frames", folder, **choice), keep_out))


def apart(walked):
    things = list(walked)
    files = [thing.path for thing in things if isinstance(thing, SourceFile)]
    findings = {thing.path: thing.kind for thing in things if isinstance(thing, Finding)}
    assert len(set(files)) == len(files)
    return set(files), findings


def test_every_file_comes_with_its_size_and_times(tmp_path):
    tree(tmp_path, "Lights/Ha/1.fits")
    file = tmp_path / "Lights/Ha/1.fits"
    os.utime(file, ns=(1, 1_773_500_000_123_456_700))
    (found,) = walk(Source("frames", tmp_path))
    facts = file.stat()
    assert found[:4] == ("frames", "Lights/Ha/1.fits", 5, facts.st_mtime_ns)
    assert (found.created_ns is not None) == (os.name == "nt" or hasattr(facts, "st_birthtime"))


def test_an_empty_folder_has_no_files(tmp_path):
    (tmp_path / "empty/inner").mkdir(parents=True)
    assert seen(tmp_path) == (set(), {})


def test_the_patterns_choose(tmp_path):
    tree(tmp_path, "a.FITS", "deep/er/b.fits", "notes.txt", "previews/c.fits", "bad/d.fits")
    files, findings = seen(tmp_path, take=("**/*.fits",), leave=("previews/", "**/d.*"))
    assert files == {"a.FITS", "deep/er/b.fits"}
    assert findings == {}


@pytest.mark.parametrize("name", ["two  spaces ", "été", "an observer's", "#1 & co", "星", "-rf", "a\nb"])
@posix_only
def test_a_strange_name_is_found_as_it_is(tmp_path, name):
    tree(tmp_path, f"{name}/{name}")
    assert seen(tmp_path)[0] == {f"{name}/{name}"}


@posix_only
def test_a_name_that_is_not_unicode_is_carried(tmp_path):
    Path(os.fsdecode(bytes(tmp_path) + b"/bad\xff.fits")).write_bytes(b"")
    assert seen(tmp_path, take=("*.fits",))[0] == {"bad\udcff.fits"}


@posix_only
def test_a_link_to_a_file_or_a_folder_is_followed(tmp_path):
    tree(tmp_path, "elsewhere/real/a.fits", "source/b.fits")
    (tmp_path / "source/link").symlink_to("../elsewhere/real")
    (tmp_path / "source/linked.fits").symlink_to("../elsewhere/real/a.fits")
    files, findings = seen(tmp_path / "source")
    assert files == {"b.fits", "link/a.fits", "linked.fits"}
    assert findings == {}


@posix_only
def test_a_source_that_is_a_link_is_walked(tmp_path):
    tree(tmp_path, "real/a.fits")
    (tmp_path / "link").symlink_to("real")
    assert seen(tmp_path / "link")[0] == {"a.fits"}


@posix_only
def test_a_link_back_into_its_own_folder_is_a_finding_and_not_a_walk_without_end(tmp_path):
    tree(tmp_path, "source/a.fits", "source/x/y/b.fits", "outside/c.fits")
    (tmp_path / "source/here").symlink_to(".")
    (tmp_path / "source/x/y/up").symlink_to("../..")
    (tmp_path / "source/out").symlink_to("../outside")
    (tmp_path / "outside/back").symlink_to("../source")
    (tmp_path / "source/itself").symlink_to("itself")
    files, findings = seen(tmp_path / "source")
    assert files == {"a.fits", "x/y/b.fits", "out/c.fits"}
    assert set(findings) == {"here", "x/y/up", "out/back", "itself"}
    assert set(findings.values()) == {FindingKind.FOLDER_LOOP}


@posix_only
def test_a_link_to_a_sibling_is_no_loop(tmp_path):
    tree(tmp_path, "a/1.fits")
    (tmp_path / "b").symlink_to("a")
    assert seen(tmp_path) == ({"a/1.fits", "b/1.fits"}, {})


@posix_only
def test_a_link_to_nothing_is_a_finding(tmp_path):
    (tmp_path / "gone.fits").symlink_to("nowhere")
    assert seen(tmp_path) == (set(), {"gone.fits": FindingKind.NOT_A_FILE})


@posix_only
def test_a_pipe_a_socket_and_a_device_are_findings_and_never_opened(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # a socket's path can't be long
    os.mkfifo("pipe")
    (tmp_path / "device").symlink_to("/dev/null")
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("socket")
        files, findings = seen(tmp_path)
    assert files == set()
    assert findings == dict.fromkeys(("pipe", "device", "socket"), FindingKind.NOT_A_FILE)


def test_what_another_system_dropped_is_left(tmp_path):
    dropped = [".DS_Store", "Thumbs.db", "a/desktop.ini", "System Volume Information/x", "$RECYCLE.BIN/y"]
    kept = ["a/.hidden.fits", "._not a companion", "a/settings.ini", "orders.db"]
    tree(tmp_path, *dropped, *kept)
    (tmp_path / "a/._b.fits").write_bytes(b"\x00\x05\x16\x07\x00")
    assert seen(tmp_path) == (set(kept), {})


@posix_only
def test_a_folder_that_is_left_is_not_looked_into(tmp_path):
    tree(tmp_path, "a.fits", "cache/b.fits")
    (tmp_path / "cache/loop").symlink_to(".")
    assert seen(tmp_path, leave=("cache/**",)) == ({"a.fits"}, {})


def test_a_file_that_vanishes_meanwhile_is_no_finding_and_a_folder_is(tmp_path):
    tree(tmp_path, "a.fits", "b.fits", "folder/c.fits")
    things = walk(Source("frames", tmp_path))
    first = next(things)
    for name in {"a.fits", "b.fits"} - {first.path}:
        (tmp_path / name).unlink()
    shutil.rmtree(tmp_path / "folder")
    files, findings = apart(things)
    assert findings == {"folder": FindingKind.VANISHED}
    assert not files or os.name == "nt"  # there the folder's list says all, and nobody asks the file


@contextmanager
def an_ordinary_user():
    """Return a folder that an ordinary user can read, and be one: root may read everything."""
    with tempfile.TemporaryDirectory() as folder:
        root, user = Path(folder), os.geteuid()
        root.chmod(0o755)
        try:
            yield root, (lambda: os.seteuid(user or 65534))
        finally:
            os.seteuid(user)


@posix_only
def test_a_folder_that_may_not_be_read_is_a_finding_and_the_rest_is_carried():
    with an_ordinary_user() as (root, become_ordinary):
        tree(root, "a.fits", "locked/b.fits", "open/c.fits")
        (root / "locked").chmod(0)
        (root / "link").symlink_to("locked/b.fits")
        become_ordinary()
        files, findings = seen(root)
    assert files == {"a.fits", "open/c.fits"}
    assert findings == dict.fromkeys(("locked", "link"), FindingKind.UNREADABLE)


@posix_only
def test_a_source_that_may_not_be_read_is_told_at_once():
    with an_ordinary_user() as (root, become_ordinary):
        (root / "locked").mkdir(0)
        become_ordinary()
        with pytest.raises(NotThere, match="cannot be listed"):
            walk(Source("frames", root / "locked"))


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("missing", "is not there"),
        pytest.param("a file", "is not a folder", marks=on_windows_itself),
    ],
)
def test_a_source_that_is_not_there_is_told_at_once(tmp_path, name, what):
    tree(tmp_path, "a file")
    with pytest.raises(NotThere, match=what) as caught:
        walk(Source("frames", tmp_path / name))
    assert caught.value.path == str(tmp_path / name)
    assert '"frames"' in str(caught.value)
    assert caught.value.next_step
    assert caught.value.exit_code is ExitCode.NOT_THERE


def test_a_deep_tree_needs_no_deep_stack(tmp_path):
    tree(tmp_path, "d/" * 200 + "a.fits")
    before = sys.getrecursionlimit()
    sys.setrecursionlimit(len(inspect.stack(0)) + 100)
    try:
        files, findings = seen(tmp_path)
    finally:
        sys.setrecursionlimit(before)
    assert (files, findings) == ({"d/" * 200 + "a.fits"}, {})


@posix_only
def test_a_tree_deeper_than_a_path_can_be_is_walked_as_far_as_the_system_can_open_it(tmp_path):
    tree(tmp_path, "a.fits")
    folder = os.open(tmp_path, os.O_RDONLY)
    for _ in range(30):
        os.mkdir("d" * 200, dir_fd=folder)
        inner = os.open("d" * 200, os.O_RDONLY, dir_fd=folder)
        os.close(folder)
        folder = inner
    os.close(folder)
    files, findings = seen(tmp_path)
    assert files == {"a.fits"}
    ((deepest, kind),) = findings.items()
    assert kind is FindingKind.UNREADABLE
    assert len(deepest) > 3000


@posix_only
def test_the_walk_never_enters_the_drive_even_through_a_link(tmp_path):
    tree(tmp_path, "source/a.fits", "media/stick/b.fits", "media/card/c.fits")
    (tmp_path / "source/media").symlink_to("../media")
    (tmp_path / "source/stick").symlink_to("../media/stick")
    files, findings = seen(tmp_path / "source", keep_out=[tmp_path / "media/stick", tmp_path / "not there"])
    assert files == {"a.fits", "media/card/c.fits"}
    assert findings == {}


@pytest.fixture
def places(tmp_path):
    tree(tmp_path, "drive/x", "source/inner/x", "beside/x")
    return tmp_path


def check(source, drive):
    check_places([Source("frames", source)], drive, Path("night.toml"))


def test_a_source_beside_the_drive_is_fine(places):
    check(places / "source", places / "drive")
    check(places / "source", places / "source2")
    check(places / "missing", places / "drive")
    (places / "drive2").mkdir()
    check(places / "drive2", places / "drive")


@pytest.mark.parametrize("source", ["drive", "drive/inner", "drive/../drive/inner"])
def test_a_source_on_the_drive_is_refused(places, source):
    (places / "drive/inner").mkdir()
    with pytest.raises(ConfigurationError, match="lies on the drive") as caught:
        check(places / source, places / "drive")
    assert caught.value.path == str(places / source)
    assert "night.toml" in caught.value.next_step


def test_a_drive_in_a_source_is_refused(places):
    with pytest.raises(ConfigurationError, match='drive lies in the source "frames"') as caught:
        check(places / "source", places / "source/inner")
    assert "night.toml" in caught.value.next_step


@posix_only
def test_a_link_hides_neither(places):
    (places / "to the drive").symlink_to("drive")
    (places / "to the source").symlink_to("source")
    (places / "to the inner folder").symlink_to("source/inner")
    with pytest.raises(ConfigurationError):
        check(places / "source", places / "to the inner folder")
    with pytest.raises(ConfigurationError):
        check(places / "to the drive", places / "drive")
    with pytest.raises(ConfigurationError):
        check(places / "to the source", places / "source/inner")
    with pytest.raises(ConfigurationError):
        check(places / "source", places / "to the source/inner")
