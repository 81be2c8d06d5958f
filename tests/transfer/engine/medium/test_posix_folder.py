"""A pinned folder on Linux and macOS: nothing is written anywhere else, whatever stands in its place."""

import errno
import os
import signal
import sys
from pathlib import Path

import pytest

from transfer.engine.medium import drive_has_left, this_computer
from transfer.engine.medium.base import ReplacedFile, write_all

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX only")


@pytest.fixture
def pinned(tmp_path):
    (tmp_path / "stick").mkdir()
    folder = this_computer().pin(tmp_path / "stick")
    yield folder
    folder.close()


def _write(folder, path, content=b"a frame"):
    descriptor = folder.create_file(path)
    try:
        write_all(descriptor, content)
    finally:
        os.close(descriptor)


def _read(folder, path):
    with os.fdopen(folder.open_file(path), "rb") as file:
        return file.read()


def _files_below(root):
    return sorted(str(path.relative_to(root)) for path in root.rglob("*") if not path.is_dir())


# Acts


def test_a_file_is_created_read_renamed_and_removed_below_the_folder(pinned):
    pinned.make_folders("night/data")
    _write(pinned, "night/1.part")
    pinned.replace("night/1.part", "night/data/light.fits")
    assert _read(pinned, "night/data/light.fits") == b"a frame"
    assert _files_below(pinned.path) == ["night/data/light.fits"]
    pinned.remove("night/data/light.fits")
    assert _files_below(pinned.path) == []


@pytest.mark.parametrize("way", ["hard_link", "symbolic_link"])
def test_a_file_from_elsewhere_gets_a_name_below_the_folder(pinned, tmp_path, way):
    (tmp_path / "light.fits").write_bytes(b"a frame")
    pinned.make_folders("night/data")
    getattr(pinned, way)(tmp_path / "light.fits", "night/data/a.fits")
    made = pinned.path / "night" / "data" / "a.fits"
    assert made.samefile(tmp_path / "light.fits")
    assert made.is_symlink() == (way == "symbolic_link")
    with pytest.raises(FileExistsError):
        getattr(pinned, way)(tmp_path / "light.fits", "night/data/a.fits")


@pytest.mark.parametrize("way", ["hard_link", "symbolic_link"])
def test_a_name_is_given_below_the_pinned_folder_and_through_no_link(pinned, tmp_path, way):
    (tmp_path / "light.fits").write_bytes(b"a frame")
    (tmp_path / "elsewhere").mkdir()
    (pinned.path / "night").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(NotADirectoryError):
        getattr(pinned, way)(tmp_path / "light.fits", "night/a.fits")
    pinned.path.rename(tmp_path / "carried off")
    pinned.path.mkdir()
    getattr(pinned, way)(tmp_path / "light.fits", "b.fits")
    assert _files_below(pinned.path) == []
    assert (tmp_path / "carried off" / "b.fits").exists()
    assert not list((tmp_path / "elsewhere").iterdir())


def test_a_hard_link_is_one_to_the_file_that_a_link_leads_to(pinned, tmp_path):
    (tmp_path / "light.fits").write_bytes(b"a frame")
    (tmp_path / "link.fits").symlink_to("light.fits")
    pinned.hard_link(tmp_path / "link.fits", "a.fits")
    assert not (pinned.path / "a.fits").is_symlink()
    assert (pinned.path / "a.fits").samefile(tmp_path / "light.fits")


def test_a_file_that_is_there_is_never_created_again(pinned):
    _write(pinned, "light.fits", b"the first")
    with pytest.raises(FileExistsError):
        pinned.create_file("light.fits")
    assert _read(pinned, "light.fits") == b"the first"


def test_a_replaced_file_is_wholly_the_new_one(pinned):
    _write(pinned, "list", b"the older, longer list")
    _write(pinned, "list.part", b"newer")
    pinned.replace("list.part", "list")
    assert _read(pinned, "list") == b"newer"
    assert pinned.names("") == [("list", False)]


def test_the_folders_to_flush_are_those_that_got_a_name(pinned):
    assert pinned.make_folders("2026-03-14/data/frames") == {"", "2026-03-14", "2026-03-14/data"}
    assert pinned.make_folders("2026-03-14/data/logs") == {"2026-03-14/data"}
    assert pinned.make_folders("2026-03-14/data/logs") == set()
    assert pinned.make_folders("") == set()


def test_a_listing_is_sorted_and_a_link_to_a_folder_is_no_folder(pinned):
    pinned.make_folders("b")
    _write(pinned, "c")
    (pinned.path / "a").symlink_to(pinned.path / "b")
    assert pinned.names("") == [("a", False), ("b", True), ("c", False)]
    assert pinned.names("") == [("a", False), ("b", True), ("c", False)]


@pytest.mark.parametrize("path", ["nothing", "nothing/below", "a file/below"])
def test_what_is_not_there_has_no_facts_and_no_names(pinned, path):
    _write(pinned, "a file")
    assert pinned.stat(path) is None
    assert pinned.names(path) == []


def test_facts_are_the_link_s_own(pinned):
    (pinned.path / "link").symlink_to("nowhere")
    assert pinned.stat("link").st_mode & 0o170000 == 0o120000
    assert pinned.stat("").st_ino == pinned.path.stat().st_ino


def test_a_modification_time_is_kept_to_the_nanosecond(pinned):
    descriptor = pinned.create_file("light.fits")
    pinned.set_modified(descriptor, 1_773_518_400_123_456_789)
    os.close(descriptor)
    kept = pinned.stat("light.fits").st_mtime_ns
    assert kept == 1_773_518_400_123_456_789 or (
        sys.platform == "darwin" and kept // 1000 == 1_773_518_400_123_456
    )


def test_free_space_is_what_this_user_may_use(pinned):
    facts = os.statvfs(pinned.path)
    assert 0 < pinned.free_bytes() <= facts.f_blocks * facts.f_frsize


def test_a_file_system_that_keeps_no_count_is_not_taken_for_full(volumes):
    with volumes("fat32") as drive:
        assert os.statvfs(drive.path).f_blocks == 0
        folder = this_computer().pin(drive.path)
        assert folder.free_bytes() > 1 << 50
        folder.close()


# Staying inside


@pytest.fixture
def outside(pinned, tmp_path):
    """A folder outside, which a link inside leads to."""
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside/there").write_bytes(b"not ours")
    (pinned.path / "link").symlink_to(tmp_path / "outside")
    return tmp_path / "outside"


@pytest.mark.parametrize(
    "act",
    [
        lambda folder: folder.create_file("link/new"),
        lambda folder: folder.open_file("link/there"),
        lambda folder: folder.remove("link/there"),
        lambda folder: folder.replace("mine", "link/new"),
        lambda folder: folder.replace("link/there", "mine"),
        lambda folder: folder.make_folders("link/below"),
    ],
)
def test_no_act_goes_through_a_linked_folder(pinned, outside, act):
    _write(pinned, "mine")
    with pytest.raises(OSError, match=r"Not a directory|symbolic links"):
        act(pinned)
    assert _files_below(outside) == ["there"]
    assert [path.name for path in outside.iterdir()] == ["there"]
    assert _read(pinned, "mine") == b"a frame"


def test_what_lies_behind_a_linked_folder_is_not_seen(pinned, outside):
    assert pinned.stat("link/there") is None
    assert pinned.names("link") == []


def test_a_linked_file_is_neither_read_nor_written_through(pinned, tmp_path):
    (tmp_path / "secret").write_bytes(b"not ours")
    (pinned.path / "light.fits").symlink_to(tmp_path / "secret")
    (pinned.path / "dangling").symlink_to(tmp_path / "made")
    with pytest.raises(OSError, match="symbolic links"):
        pinned.open_file("light.fits")
    with pytest.raises(FileExistsError):
        pinned.create_file("dangling")
    assert not (tmp_path / "made").exists()


@pytest.mark.parametrize("path", ["../new", "a/../../new", "a/../new"])
def test_no_path_climbs(pinned, tmp_path, path):
    pinned.make_folders("a")
    with pytest.raises(OSError, match="climb"):
        pinned.create_file(path)
    assert _files_below(tmp_path) == []


def test_an_absolute_path_is_not_followed(pinned, tmp_path):
    with pytest.raises(OSError):  # noqa: PT011 - any error will do; what matters is what is not there
        pinned.create_file(f"{tmp_path}/new")
    assert _files_below(tmp_path) == []


def test_a_pipe_under_a_file_s_name_does_not_hang_the_run(pinned):
    os.mkfifo(pinned.path / "light.fits")
    with pytest.raises(OSError, match="not a regular file"):
        pinned.open_file("light.fits")


def test_a_file_system_mounted_below_is_refused(volumes):
    with volumes("ext4") as drive:
        folder = this_computer().pin(drive.path.parent)
        with pytest.raises(OSError, match="another file system") as raised:
            folder.create_file(f"{drive.path.name}/light.fits")
        assert raised.value.errno == errno.EXDEV
        assert _files_below(drive.path) == []
        folder.close()


# What was pinned, and what stands in its place


def test_a_folder_put_in_the_place_of_the_pinned_one_receives_nothing(pinned, tmp_path):
    pinned.make_folders("night")
    (tmp_path / "stick").rename(tmp_path / "moved")
    (tmp_path / "stick/night").mkdir(parents=True)
    assert not pinned.still_there()
    _write(pinned, "night/light.fits")
    pinned.make_folders("other")
    assert _files_below(tmp_path) == ["moved/night/light.fits"]
    assert not (tmp_path / "stick/other").exists()


def test_a_pinned_folder_is_still_there_until_its_path_leads_elsewhere(pinned, tmp_path):
    assert pinned.still_there()
    (tmp_path / "stick").rename(tmp_path / "moved")
    assert not pinned.still_there()


@pytest.mark.parametrize("kind", ["ext4", "exfat", "ntfs", "fat32"])
def test_the_folder_beneath_a_stick_that_left_receives_nothing(volumes, kind):
    with volumes(kind) as drive:
        folder = this_computer().pin(drive.path)
        folder.make_folders("night")
        drive.pull()
        (drive.path / "night").mkdir()
        assert not folder.still_there()
        _write(folder, "night/light.fits")
        _write(folder, "receipt")
        assert _files_below(drive.path) == []
        folder.close()


@pytest.mark.parametrize("kind", ["exfat", "ntfs", "fat32"])
def test_a_stick_that_is_pulled_is_told_from_a_bad_file(volumes, kind):
    with volumes(kind) as drive:
        folder = this_computer().pin(drive.path)
        folder.make_folders("night")
        os.kill(drive.server(), signal.SIGKILL)
        for act in (folder.create_file, folder.make_folders, folder.names, folder.stat):
            with pytest.raises(OSError, match=r"not connected|connection abort") as raised:
                act("night/light.fits")
            assert drive_has_left(raised.value), raised.value
        assert not folder.still_there()
        folder.close()


# Descriptors


def _open_descriptors():
    return {path.name for path in Path("/proc/self/fd").iterdir()}


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="counts descriptors in /proc")
def test_a_night_of_many_folders_keeps_few_open_and_lets_go_of_all(tmp_path):
    before = _open_descriptors()
    folder = this_computer().pin(tmp_path)
    for number in range(200):
        folder.make_folders(f"night/{number}")
        _write(folder, f"night/{number}/light.fits")
    assert len(_open_descriptors() - before) < 80
    assert len(_files_below(tmp_path)) == 200
    folder.close()
    assert _open_descriptors() <= before


def test_a_folder_stays_open_while_a_thread_is_at_work_in_it(pinned):
    """Between finding a folder and acting in it, another thread may open many others."""
    pinned.make_folders("night")
    between = [f"other/{number}" for number in range(200)]

    def meanwhile(event, arguments):
        # Audit hooks stay: this one is inert once it has seen what it waits for.
        if event == "open" and arguments[0] == "light.fits" and between:
            others, between[:] = between[:], []
            for other in others:
                pinned.make_folders(other)
                pinned.names(other)

    sys.addaudithook(meanwhile)
    _write(pinned, "night/light.fits")
    assert between == []
    assert _files_below(pinned.path) == ["night/light.fits"]


def test_a_folder_that_was_let_go_of_does_nothing_more(pinned):
    pinned.make_folders("night")
    pinned.close()
    with pytest.raises(OSError, match="Bad file descriptor"):
        pinned.create_file("light.fits")
    with pytest.raises(OSError, match="Bad file descriptor"):
        pinned.create_file("night/light.fits")
    assert _files_below(pinned.path) == []


def test_a_folder_that_cannot_be_closed_is_let_go_of_in_silence(pinned):
    """Python would print a traceback of whatever is raised while an object goes."""
    pinned.make_folders("night/data")
    pinned.flush_folders(["night"])
    os.close(pinned._folder("night").descriptor)
    pinned.close()


# Removing what was read


def test_the_file_that_was_read_is_removed_and_nothing_else(pinned):
    pinned.make_folders("night")
    _write(pinned, "night/light.fits")
    _write(pinned, "night/other.fits")
    descriptor = pinned.open_to_remove("night/light.fits")
    pinned.remove_opened(descriptor, "night/light.fits")
    os.close(descriptor)
    assert _files_below(pinned.path) == ["night/other.fits"]


def test_another_file_under_the_name_of_the_one_that_was_read_stays(pinned):
    _write(pinned, "light.fits", b"read")
    _write(pinned, "new.fits", b"a new frame")
    descriptor = pinned.open_to_remove("light.fits")
    (pinned.path / "new.fits").replace(pinned.path / "light.fits")
    with pytest.raises(ReplacedFile, match="another file"):
        pinned.remove_opened(descriptor, "light.fits")
    os.close(descriptor)
    assert (pinned.path / "light.fits").read_bytes() == b"a new frame"


def test_a_link_is_never_opened_to_be_removed(pinned, tmp_path):
    (tmp_path / "elsewhere.fits").touch()
    (pinned.path / "light.fits").symlink_to(tmp_path / "elsewhere.fits")
    with pytest.raises(OSError, match="symbolic links"):
        pinned.open_to_remove("light.fits")


def test_a_folder_goes_only_where_it_is_empty(pinned):
    pinned.make_folders("night/Ha")
    _write(pinned, "night/notes.txt")
    pinned.remove_folder("night/Ha")
    with pytest.raises(OSError, match="not empty"):
        pinned.remove_folder("night")
    pinned.remove("night/notes.txt")
    pinned.remove_folder("night")
    assert list(pinned.path.iterdir()) == []
