"""What is asked of Windows, in which order and how often again; not run on Windows here.

The stand-in for the system is in tests/support/recorded_windows.py.
"""

import errno
import os
import sys
from dataclasses import replace
from pathlib import Path, PureWindowsPath

import pytest

from tests.support.links import need_links
from tests.support.recorded_windows import OWN_NAME, ROOT, SECTOR, System
from transfer.engine.bag.durable import write_durably
from transfer.engine.medium import ReadBack, drive_has_left
from transfer.engine.medium.base import BLOCK_BYTES, Volume, write_all
from transfer.engine.medium.windows import openings
from transfer.engine.medium.windows.medium import WindowsFolder, WindowsMedium


def itself(how):
    """Return the same opening, of a link itself where there is one."""
    return replace(how, flags=how.flags | openings.FILE_FLAG_OPEN_REPARSE_POINT)


UNBUFFERED = itself(openings.UNBUFFERED)


@pytest.fixture
def stick(tmp_path):
    (tmp_path / "stick").mkdir()
    return tmp_path / "stick"


@pytest.fixture
def system(stick):
    return System(stick)


@pytest.fixture
def pinned(system):
    folder = WindowsFolder(PureWindowsPath("E:/nights"), system)
    system.called.clear()
    yield folder
    folder.close()


def _put(folder, path, content=b"a frame"):
    descriptor = folder.create_file(path)
    write_all(descriptor, content)
    os.close(descriptor)


# Pinning


def test_a_folder_is_pinned_by_its_long_path_and_then_by_its_volume_s_own_name(system, stick):
    folder = WindowsFolder(PureWindowsPath("E:/nights"), system)
    assert system.called[0] == ("open", ROOT, openings.PINNED_FOLDER)
    system.called.clear()
    _put(folder, "light.fits")
    paths = [call[1] for call in system.called if call[0] == "open_in"]
    assert paths == [f"{OWN_NAME}\\light.fits"]
    assert (stick / "light.fits").read_bytes() == b"a frame"
    folder.close()


def test_a_share_that_has_no_volume_s_name_is_pinned_by_its_path(system, stick):
    system.failures["final_path"] = [1]  # ERROR_INVALID_FUNCTION
    system.roots["\\\\?\\UNC\\nas\\nights"] = stick
    folder = WindowsFolder(PureWindowsPath("//nas/nights"), system)
    _put(folder, "light.fits")
    assert system.called[-2][1] == "\\\\?\\UNC\\nas\\nights\\light.fits"
    folder.close()


def test_a_file_is_not_pinned_as_a_folder(system, stick):
    (stick / "file").touch()
    with pytest.raises(NotADirectoryError):
        WindowsFolder(PureWindowsPath("E:/nights/file"), system)
    assert system.count("open") == system.count("close")


def test_before_anything_is_done_by_a_path_the_pinned_folder_is_looked_at_again(system, pinned):
    _put(pinned, "1.part")
    assert system.names_called() == ["open_in", "descriptor"], "a new file is made in the held folder itself"
    system.called.clear()
    pinned.replace("1.part", "a.fits")
    assert system.names_called() == ["open", "facts", "close", "move"]
    system.called.clear()
    pinned.make_folders("night")
    assert system.names_called() == ["open", "facts", "close", "make_folder"]


def test_a_name_is_given_by_the_volume_s_own_name_and_where_it_has_none_only_after_a_look(system, stick):
    folder = WindowsFolder(PureWindowsPath("E:/nights"), system)
    _put(folder, "1.part")
    system.called.clear()
    assert folder.give_name("1.part", "a.fits")
    assert system.called == [("move", f"{OWN_NAME}\\1.part", f"{OWN_NAME}\\a.fits")]
    folder.close()
    system.failures["final_path"] = [1]  # ERROR_INVALID_FUNCTION
    folder = WindowsFolder(PureWindowsPath("E:/nights"), system)
    _put(folder, "2.part")
    system.serial = 0x99999999
    with pytest.raises(OSError, match="has left"):
        folder.give_name("2.part", "b.fits")
    folder.close()
    assert sorted(path.name for path in stick.iterdir()) == ["2.part", "a.fits"]


def test_a_name_that_is_taken_is_given_to_nothing_else(pinned, stick):
    _put(pinned, "1.part", b"new")
    _put(pinned, "a.fits", b"old")
    assert not pinned.give_name("1.part", "a.fits")
    assert (stick / "1.part").read_bytes() + (stick / "a.fits").read_bytes() == b"newold"


def test_a_file_is_made_in_the_folder_that_is_held_though_its_path_leads_elsewhere_by_now(
    system, pinned, stick, tmp_path
):
    (tmp_path / "other").mkdir()
    system.roots = dict.fromkeys(system.roots, tmp_path / "other")
    _put(pinned, "1.part")
    assert (stick / "1.part").exists()
    assert list((tmp_path / "other").iterdir()) == []
    assert pinned.open_file("1.part")


ACTS = [
    lambda folder: folder.replace("there", "new"),
    lambda folder: folder.make_folders("new"),
    lambda folder: folder.hard_link(Path("E:/nights/there"), "new"),
    lambda folder: folder.symbolic_link(Path("E:/nights/there"), "new"),
]


@pytest.mark.parametrize("act", ACTS)
def test_another_drive_in_the_place_of_the_pinned_one_receives_nothing(system, pinned, stick, act):
    _put(pinned, "there")
    system.serial = 0x99999999
    with pytest.raises(OSError, match="has left") as raised:
        act(pinned)
    assert drive_has_left(raised.value)
    assert [path.name for path in stick.iterdir()] == ["there"]


@pytest.mark.parametrize(
    "act",
    [
        *ACTS,
        lambda folder: folder.create_file("new"),
        lambda folder: folder.give_name("there", "new"),
        lambda folder: folder.open_file("there"),
        lambda folder: folder.remove("there"),
        lambda folder: folder.stat("there"),
        lambda folder: folder.names(""),
        lambda folder: folder.flush_folders([""]),
        lambda folder: folder.free_bytes(),
    ],
)
def test_a_letter_without_a_drive_is_no_missing_file(system, pinned, act):
    system.roots.clear()
    system.failures["free_bytes"] = [3]
    with pytest.raises(OSError) as raised:  # noqa: PT011 - the system's text, or that it has left
        act(pinned)
    assert drive_has_left(raised.value)
    assert not pinned.still_there()


def test_a_folder_is_renamed_although_it_and_those_below_were_held(pinned, stick):
    pinned.make_folders("2026-03-14/data/frames")
    pinned.make_folders("2026-03-14 b")
    assert pinned.names("2026-03-14/data/frames") == []
    assert pinned.names("2026-03-14") == [("data", True)]
    pinned.replace("2026-03-14", "2026-03-14 (set aside 1)")
    assert (stick / "2026-03-14 (set aside 1)/data/frames").is_dir()
    assert pinned.names("2026-03-14") == []


def test_an_error_names_the_path_that_a_person_wrote(system, pinned):
    with pytest.raises(FileNotFoundError) as raised:
        pinned.open_file("night/gone")
    assert raised.value.filename == "E:\\nights\\night"
    system.failures["open_in"] = [80]
    with pytest.raises(FileExistsError) as raised:
        pinned.create_file("light.fits")
    assert raised.value.filename == "E:\\nights\\light.fits"


def test_a_failure_of_a_drive_that_is_there_stays_one_and_of_one_that_left_says_so(system, pinned):
    system.failures["move"] = [31]  # ERROR_GEN_FAILURE
    with pytest.raises(OSError, match="31") as raised:
        pinned.replace("1.part", "light.fits")
    assert raised.value.errno == errno.EIO
    system.failures["open_in"], system.failures["open"] = [31], [31]
    with pytest.raises(OSError, match="has left") as raised:
        pinned.create_file("light.fits")
    assert drive_has_left(raised.value)


def test_a_missing_file_is_no_drive_that_left(pinned):
    with pytest.raises(FileNotFoundError):
        pinned.open_file("gone")
    with pytest.raises(FileNotFoundError):
        pinned.remove("night/gone")
    assert pinned.stat("gone") is None
    assert pinned.stat("night/gone") is None
    assert pinned.names("night") == []
    assert pinned.still_there()


def test_all_handles_are_let_go_of_and_few_are_held(system, pinned, stick):
    before = len(list(Path("/proc/self/fd").iterdir())) if Path("/proc/self/fd").exists() else 0
    for number in range(150):
        pinned.make_folders(f"night/{number}")
        _put(pinned, f"night/{number}/light.fits")
    if before:
        assert len(list(Path("/proc/self/fd").iterdir())) - before < 80
    pinned.close()
    opened = system.count("open") + system.count("open_in") + 1  # the fixture's own
    assert opened - system.count("close") == system.count("descriptor")  # those were closed as descriptors
    assert len(list(stick.rglob("light.fits"))) == 150


def test_a_folder_that_was_let_go_of_does_nothing_more(system, pinned):
    pinned.close()
    with pytest.raises(OSError, match="let go of"):
        pinned.create_file("light.fits")


# Staying inside


def test_a_folder_below_is_held_while_something_is_done_in_it(system, pinned, stick):
    (stick / "night").mkdir()
    _put(pinned, "night/light.fits")
    opened = [call for call in system.called if call[0].startswith("open")]
    assert opened == [
        ("open", f"{OWN_NAME}\\night", openings.INNER_FOLDER),
        ("open_in", f"{OWN_NAME}\\night\\light.fits", openings.NEW_FILE),
    ]
    assert system.count("close") == 0, "the folder is held"


def test_no_act_goes_through_a_linked_folder(pinned, stick, tmp_path):
    need_links()
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside/there").touch()
    (stick / "link").symlink_to(tmp_path / "outside")
    for act in (pinned.create_file, pinned.open_file, pinned.remove):
        with pytest.raises(NotADirectoryError, match="link"):
            act("link/there")
    assert pinned.stat("link/there") is None
    assert pinned.names("link") == []
    assert [path.name for path in (tmp_path / "outside").iterdir()] == ["there"]


def test_a_folder_of_another_volume_is_refused(system, pinned, stick):
    (stick / "night").mkdir()
    (stick / "night/light.fits").touch()
    system.serial = 0x99999999
    with pytest.raises(OSError, match="another volume") as raised:
        pinned.open_file("night/light.fits")
    assert raised.value.errno == errno.EXDEV


def test_a_linked_file_is_not_read(pinned, stick, tmp_path):
    need_links()
    (tmp_path / "secret").touch()
    (stick / "light.fits").symlink_to(tmp_path / "secret")
    with pytest.raises(OSError, match="a link"):
        pinned.open_file("light.fits")


@pytest.mark.parametrize("path", ["../new", "a:stream", "C:/new", "night\\new"])
def test_no_path_leads_elsewhere(system, pinned, path):
    with pytest.raises(OSError, match="not a name"):
        pinned.create_file(path)
    assert openings.NEW_FILE not in [call[-1] for call in system.called]


# Writing


def test_a_small_file_is_flushed_renamed_through_and_read_back_past_the_cache(system, pinned):
    write_durably(pinned, "receipt", b"all is well")
    acts = ["open", "open_in", "flush", "move", "read"]
    kept = [call for call in system.called if call[0] in acts]
    assert [call[0] for call in kept if call[-1] != openings.PINNED_FOLDER] == [
        "open_in",  # the temporary
        "flush",
        "move",
        "open",  # the folder
        "flush",
        "open_in",  # the read-back
        "read",
        "open",  # the folder: nothing is left to be written
        "flush",
    ]
    read_back = [call[0] for call in kept].index("read") - 1
    assert kept[read_back][2] == UNBUFFERED


def test_files_are_flushed_each_by_its_handle_and_no_flush_is_tried_again(system, pinned):
    pinned.flush_files([7, 8])
    assert system.called == [("flush", 7), ("flush", 8)]
    system.called.clear()
    system.failures["flush"] = [1117]  # ERROR_IO_DEVICE
    with pytest.raises(OSError, match="1117"):
        pinned.flush_files([7, 8])
    assert system.called == [("flush", 7)]


@pytest.mark.parametrize("refusal", [1, 5, 50, 87])
@pytest.mark.parametrize("call", ["open", "flush"])
def test_a_system_that_flushes_no_folders_is_not_a_failed_flush(system, pinned, refusal, call):
    system.failures[call] = [refusal]
    pinned.flush_folders([""])
    assert system.called[0] == ("open", OWN_NAME, openings.FOLDER_TO_FLUSH)
    assert system.count("close") == (call == "flush")


def test_a_folder_s_flush_that_fails_is_raised_once_and_its_handle_closed(system, pinned):
    system.failures["flush"] = [23]  # ERROR_CRC
    with pytest.raises(OSError, match="23"):
        pinned.flush_folders([""])
    assert system.names_called() == ["open", "flush", "close", "open", "facts", "close"]


@pytest.mark.parametrize("way", ["hard_link", "symbolic_link"])
def test_a_file_however_deep_it_lies_gets_a_name_below_the_folder(system, pinned, stick, tmp_path, way):
    if way == "symbolic_link":
        need_links()
    deep = PureWindowsPath("C:/archive", *["a folder of the night"] * 20, "light.fits")
    system.roots["\\\\?\\C:"] = tmp_path
    here = tmp_path / deep.relative_to("C:/").as_posix()
    here.parent.mkdir(parents=True)
    here.write_bytes(b"a frame")
    pinned.make_folders("lights")
    getattr(pinned, way)(deep, "lights/a.fits")
    assert system.called[-1] == (way, f"\\\\?\\{deep}", f"{OWN_NAME}\\lights\\a.fits")
    assert (stick / "lights" / "a.fits").samefile(here)


@pytest.mark.parametrize("codes", [[32], [5, 5], [32, 5, 33, 5, 32]])
def test_a_rename_that_another_program_is_in_the_way_of_is_tried_again(system, pinned, stick, codes):
    _put(pinned, "1.part")
    system.failures["move"] = list(codes)
    pinned.replace("1.part", "a.fits")
    assert system.count("move") == len(codes) + 1
    assert system.paused == [0.02, 0.05, 0.1, 0.2, 0.4][: len(codes)]
    assert (stick / "a.fits").exists()


def test_a_rename_that_stays_refused_is_raised_in_the_end(system, pinned):
    _put(pinned, "1.part")
    system.failures["move"] = [5] * 20
    with pytest.raises(PermissionError):
        pinned.replace("1.part", "a.fits")
    assert system.count("move") == 6
    assert len(system.paused) == 5


@pytest.mark.parametrize("code", [112, 1117, 1167, 19])
def test_a_rename_that_failed_is_not_tried_again(system, pinned, code):
    _put(pinned, "1.part")
    system.failures["move"] = [code]
    with pytest.raises(OSError, match=str(code)):
        pinned.replace("1.part", "a.fits")
    assert system.count("move") == 1


def test_a_file_that_is_looked_into_is_removed_as_soon_as_that_is_over(system, pinned, stick):
    _put(pinned, "1.part")
    system.failures["remove"] = [32]
    pinned.remove("1.part")
    assert not (stick / "1.part").exists()
    assert system.paused == [0.02]


@pytest.mark.parametrize(
    ("modified_ns", "filetime"),
    [
        (0, 116_444_736_000_000_000),  # Microsoft, "Converting a time_t value to a FILETIME"
        (1_000_000_000 * 10**9, 126_444_736_000_000_000),
        (1_773_518_400_123_456_789, 134_179_920_001_234_567),
        (-1, 116_444_735_999_999_999),
    ],
)
def test_a_time_is_given_in_windows_steps(system, pinned, modified_ns, filetime):
    pinned.set_modified(7, modified_ns)
    assert system.called == [("set_modified", 7, filetime)]


def test_a_time_that_a_drive_cannot_hold_costs_no_file(system, pinned):
    system.failures["set_modified"] = [87, 1117]
    pinned.set_modified(7, 0)
    with pytest.raises(OSError, match="1117"):
        pinned.set_modified(7, 0)


def test_folders_are_made_once_and_those_with_a_new_name_are_told(system, pinned):
    assert pinned.make_folders("2026-03-14/data/frames") == {"", "2026-03-14", "2026-03-14/data"}
    assert pinned.make_folders("2026-03-14/data/logs") == {"2026-03-14/data"}
    assert pinned.make_folders("") == set()
    _put(pinned, "2026-03-14/data/logs/a.txt")
    system.called.clear()
    assert pinned.make_folders("2026-03-14/data/logs") == set()
    assert system.called == []
    assert pinned.names("2026-03-14/data") == [("frames", True), ("logs", True)]


def test_a_file_that_is_there_is_never_created_again(pinned, stick):
    _put(pinned, "light.fits", b"the first")
    with pytest.raises(FileExistsError):
        pinned.create_file("light.fits")
    assert (stick / "light.fits").read_bytes() == b"the first"


def test_a_handle_that_becomes_no_descriptor_is_closed(system, pinned):
    system.failures["descriptor"] = [4]  # ERROR_TOO_MANY_OPEN_FILES
    with pytest.raises(OSError, match="4"):
        pinned.create_file("light.fits")
    assert system.names_called()[-1] == "close"


# Reading back


@pytest.mark.parametrize(
    "size", [0, 1, SECTOR, BLOCK_BYTES - 1, BLOCK_BYTES, BLOCK_BYTES + 1, 2 * BLOCK_BYTES]
)
def test_a_file_of_any_size_is_read_past_the_cache_to_its_end(system, pinned, size):
    content = os.urandom(size)
    _put(pinned, "light.fits", content)
    pinned.chill()
    with pinned.cold(["light.fits"]) as group:
        assert b"".join(bytes(block) for block in group.blocks("light.fits")) == content
        evidence = group.evidence()
    assert evidence.read_back is ReadBack.MEDIUM
    assert "no counter" in evidence.method
    assert (f"{OWN_NAME}\\light.fits", UNBUFFERED) in [call[1:] for call in system.called]


@pytest.mark.parametrize(
    ("drive_type", "read_back"),
    [(2, ReadBack.MEDIUM), (3, ReadBack.MEDIUM), (4, ReadBack.PERHAPS_MEMORY), (6, ReadBack.PERHAPS_MEMORY)],
)
def test_only_a_local_volume_s_medium_is_vouched_for(system, pinned, drive_type, read_back):
    system.types["E:\\"] = drive_type
    _put(pinned, "light.fits")
    with pinned.cold(["light.fits"]) as group:
        list(group.blocks("light.fits"))
        assert group.evidence().read_back is read_back


def test_a_file_system_that_cannot_read_past_its_cache_is_read_and_doubted(system, pinned):
    _put(pinned, "light.fits")
    with pinned.cold(["light.fits"]) as group:
        system.failures["open_in"] = [87]  # ERROR_INVALID_PARAMETER
        assert b"".join(bytes(block) for block in group.blocks("light.fits")) == b"a frame"
        assert system.called[-2][0] == "read"
        assert group.evidence().read_back is ReadBack.PERHAPS_MEMORY
    assert ("open_in", f"{OWN_NAME}\\light.fits", itself(openings.FILE_TO_READ)) in system.called


def test_a_file_that_may_not_be_read_is_not_read_another_way(system, pinned):
    _put(pinned, "light.fits")
    system.called.clear()
    with pinned.cold(["light.fits"]) as group:
        system.failures["open_in"] = [5]
        with pytest.raises(PermissionError):
            list(group.blocks("light.fits"))
    assert system.count("open_in") == 1


@pytest.mark.parametrize("sector", [0, 520, 1 << 21])
def test_a_sector_that_a_buffer_cannot_be_aligned_to_is_read_and_doubted(system, pinned, sector):
    system.sectors = sector
    _put(pinned, "light.fits")
    with pinned.cold(["light.fits"]) as group:
        assert b"".join(bytes(block) for block in group.blocks("light.fits")) == b"a frame"
        assert group.evidence().read_back is ReadBack.PERHAPS_MEMORY
    assert UNBUFFERED not in [call[-1] for call in system.called]


def test_a_sector_s_size_that_is_not_told_is_doubted(system, pinned):
    system.failures["sector_bytes"] = [50]
    _put(pinned, "light.fits")
    with pinned.cold(["light.fits"]) as group:
        list(group.blocks("light.fits"))
        assert group.evidence().read_back is ReadBack.PERHAPS_MEMORY


def test_an_end_that_comes_too_early_is_a_failed_read(system, pinned, stick):
    _put(pinned, "light.fits", bytes(2 * BLOCK_BYTES))
    with pinned.cold(["light.fits"]) as group:
        blocks = group.blocks("light.fits")
        next(blocks)
        os.truncate(stick / "light.fits", BLOCK_BYTES + 10)
        with pytest.raises(OSError, match="ended before its size"):
            next(blocks)


def test_a_read_that_fails_closes_its_handle_and_the_next_file_is_read(system, pinned):
    _put(pinned, "bad.fits")
    _put(pinned, "good.fits")
    with pinned.cold(["bad.fits", "good.fits", "gone.fits"]) as group:
        system.failures["read"] = [23]
        with pytest.raises(OSError, match="23"):
            list(group.blocks("bad.fits"))
        assert system.names_called()[-1] == "close"
        assert b"".join(bytes(block) for block in group.blocks("good.fits")) == b"a frame"
        with pytest.raises(FileNotFoundError):
            list(group.blocks("gone.fits"))


# The medium


@pytest.fixture
def medium(system):
    return WindowsMedium(system)


def test_a_drive_is_looked_for_on_local_letters_with_a_volume_in_them(system, medium):
    system.types |= {"D:\\": 5, "F:\\": openings.DRIVE_REMOVABLE, "N:\\": 4}
    system.volumes["F:\\"] = None
    system.failures["volume_facts"] = [None, None, 21]  # an empty card reader: ERROR_NOT_READY
    assert medium.volumes() == [
        Volume(Path("C:\\"), "NTFS", "00C0-FFEE"),
        Volume(Path("E:\\"), "exFAT", "1A2B-3C4D"),
    ]


def test_a_path_is_on_its_letter_s_volume(medium):
    assert medium.volume_of(PureWindowsPath("E:/nights/a")) == Volume(Path("E:\\"), "exFAT", "1A2B-3C4D")


def test_a_second_run_does_not_get_the_lock(system, medium, stick):
    (stick / "mark").write_text("id = 1\n")
    lock = medium.lock(PureWindowsPath("E:/nights/mark"))
    assert [call[1:] for call in system.called if call[0] == "open"] == [(f"{ROOT}\\mark", openings.LOCK)]
    system.called.clear()
    assert medium.lock(PureWindowsPath("E:/nights/mark")) is None
    assert system.names_called() == ["open", "lock", "close"]
    os.close(lock)


def test_the_lock_lies_behind_the_file_so_that_all_may_read_it(system, medium, stick):
    (stick / "mark").write_text("id = 1\n")
    os.close(medium.lock(PureWindowsPath("E:/nights/mark")))
    assert [call[2] for call in system.called if call[0] == "lock"] == [1 << 62]


def test_a_write_protected_drive_s_mark_can_be_locked(system, medium, stick):
    (stick / "mark").touch()
    system.failures["open"] = [19]  # ERROR_WRITE_PROTECT
    os.close(medium.lock(PureWindowsPath("E:/nights/mark")))
    assert system.called[1] == ("open", f"{ROOT}\\mark", openings.LOCK_READ_ONLY)


def test_a_place_without_locks_is_an_error_and_lets_go(system, medium, stick):
    (stick / "mark").touch()
    system.failures["lock"] = [50]
    with pytest.raises(OSError, match="50"):
        medium.lock(PureWindowsPath("E:/nights/mark"))
    assert system.names_called()[-1] == "close"


def test_a_source_is_opened_in_the_way_of_nobody(system, medium, stick):
    (stick / "log.txt").write_bytes(b"21:04 settled\n")
    descriptor = medium.open_source("E:/nights/log.txt")
    assert system.called == [
        ("open", f"{ROOT}\\log.txt", openings.SOURCE),
        ("descriptor", descriptor, False),
    ]
    assert os.read(descriptor, 100) == b"21:04 settled\n"
    os.close(descriptor)


@pytest.mark.parametrize(("code", "written"), [(None, False), (32, True), (5, None), (1, None)])
def test_only_a_sharing_violation_tells_of_a_writer(system, medium, stick, code, written):
    (stick / "log.txt").touch()
    descriptor = medium.open_source("E:/nights/log.txt")
    system.called.clear()
    system.failures["reopen"] = [code]
    assert medium.is_being_written(descriptor) is written
    assert system.called[0] == ("reopen", descriptor, openings.ALONE_WITH_READERS)
    assert system.count("close") == (written is False)
    os.close(descriptor)


def test_a_source_that_another_program_holds_may_be_tried_again(system, medium):
    system.failures["open"] = [32]
    with pytest.raises(OSError, match="32") as raised:
        medium.open_source("E:/nights/log.txt")
    assert medium.is_locked(raised.value)
    assert raised.value.errno == errno.EBUSY


# Removing what was read


@pytest.mark.skipif(sys.platform == "win32", reason="the stand-in removes a file that it holds open")
def test_a_file_is_removed_by_the_handle_it_was_read_by_and_shared_with_readers_alone(system, pinned, stick):
    _put(pinned, "light.fits")
    descriptor = pinned.open_to_remove("light.fits")
    how = next(call[2] for call in reversed(system.called) if call[0] == "open_in")
    assert how.access == openings.GENERIC_READ | openings.DELETE
    assert how.share == openings.FILE_SHARE_READ
    pinned.remove_opened(descriptor, "light.fits")
    assert system.called[-1] == ("remove_opened", descriptor)
    os.close(descriptor)
    assert list(stick.iterdir()) == []


def test_a_file_that_a_program_writes_to_is_not_opened_to_be_removed(system, pinned):
    _put(pinned, "log.txt")
    system.failures["open_in"] = [32]  # ERROR_SHARING_VIOLATION
    with pytest.raises(OSError, match="Errno") as raised:
        pinned.open_to_remove("log.txt")
    assert raised.value.errno == errno.EBUSY


def test_an_empty_folder_is_let_go_of_before_it_is_removed(system, pinned, stick):
    pinned.make_folders("night")
    _put(pinned, "night/light.fits")
    pinned.remove("night/light.fits")
    pinned.remove_folder("night")
    assert system.names_called()[-1] == "remove_folder"
    assert list(stick.iterdir()) == []


def test_windows_says_that_nobody_writes_to_what_it_opened_for_removal(system):
    with WindowsMedium(system).alone_with(3) as alone:
        assert alone is True


# Letting go


LETTING_GO = [openings.LOCK_VOLUME, openings.DISMOUNT_VOLUME, openings.MEDIA_REMOVAL, openings.EJECT_MEDIA]


def test_a_drive_is_locked_dismounted_and_ejected_in_this_order(system):
    WindowsMedium(system).eject(PureWindowsPath("E:/"))
    assert ("open", "\\\\.\\E:", openings.WHOLE_VOLUME) in system.called
    assert [call[2] for call in system.called if call[0] == "control"] == LETTING_GO
    assert system.names_called()[-1] == "close"


def test_a_drive_that_is_in_use_is_asked_for_again_and_then_left_as_it_is(system):
    system.failures["control"] = [5] * 9  # ERROR_ACCESS_DENIED: somebody has a file open
    with pytest.raises(PermissionError):
        WindowsMedium(system).eject(PureWindowsPath("E:/"))
    assert {call[2] for call in system.called if call[0] == "control"} == {openings.LOCK_VOLUME}
    assert len(system.paused) == 5
    assert system.names_called()[-1] == "close"


@pytest.mark.parametrize(
    ("root", "why"), [("E:/nights", "letter of its own"), ("//nas/nights", "letter"), ("C:/", "runs from it")]
)
def test_what_is_no_drive_to_pull_is_not_touched(system, monkeypatch, root, why):
    monkeypatch.setenv("SYSTEMDRIVE", "C:")
    monkeypatch.setattr("transfer.engine.medium.windows.medium.Path", PureWindowsPath)
    with pytest.raises(OSError, match=why):
        WindowsMedium(system).eject(PureWindowsPath(root))
    assert "open" not in system.names_called()
