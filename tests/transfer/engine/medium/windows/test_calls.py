"""The calls of Windows as they reach the system: a stand-in for kernel32 answers through real C calls.

Each stand-in is made of the signature that the real function gets, so numbers, texts and structures pass
through the same conversion as on Windows.
"""

import ctypes
import errno
import mmap
import os
from types import SimpleNamespace

import pytest

from tests.support.links import need_links
from transfer.engine.medium.base import FREE_UNKNOWN
from transfer.engine.medium.windows import openings
from transfer.engine.medium.windows.calls import (
    HandleFacts,
    Identity,
    SizeAndTimes,
    SystemCalls,
    is_elsewhere,
    is_folder,
)
from transfer.engine.medium.windows.signatures import (
    NATIVE_SIGNATURES,
    SIGNATURES,
    BasicInfo,
    FileInformation,
    FileTime,
    IoStatus,
    ObjectAttributes,
    Overlapped,
    StandardInfo,
    UnicodeString,
)

INVALID_HANDLE = ctypes.c_void_p(-1).value


class Kernel:
    """Stands for kernel32 and ntdll: keeps what was called with what, and answers as it is told."""

    def __init__(self, **answers):
        self.called = []
        self.code = 0
        self._answers = {"SetErrorMode": lambda mode: 0, **answers}

    def __getattr__(self, name):
        result, arguments = (SIGNATURES | NATIVE_SIGNATURES)[name]

        def answer(*values):
            self.called.append((name, *values))
            return self._answers[name](*values)

        stand_in = ctypes.CFUNCTYPE(result, *arguments)(answer)
        setattr(self, name, stand_in)
        return stand_in

    def fail(self, code, result=0):
        """Return an answer that fails with a code."""

        def answer(*_):
            self.code = code
            return result

        return answer


def _calls(kernel, runtime="none is asked"):
    made = SystemCalls(kernel, lambda: kernel.code, runtime)
    kernel.called.clear()
    return made


def _fill(pointer, text):
    ctypes.memmove(
        pointer, ctypes.create_unicode_buffer(text), (len(text) + 1) * ctypes.sizeof(ctypes.c_wchar)
    )


def test_structures_have_the_sizes_of_microsoft_s_headers():
    assert ctypes.sizeof(FileTime) == 8
    assert ctypes.sizeof(FileInformation) == 52
    assert (ctypes.sizeof(BasicInfo), ctypes.sizeof(StandardInfo)) == (40, 24)
    assert ctypes.sizeof(Overlapped) == 16 + 2 * ctypes.sizeof(ctypes.c_void_p)


def test_structures_of_the_native_interface_have_the_sizes_of_microsoft_s_headers():
    address = ctypes.sizeof(ctypes.c_void_p)
    assert ctypes.sizeof(UnicodeString) == 2 * address
    assert ctypes.sizeof(ObjectAttributes) == 6 * address  # two numbers of four bytes are padded to addresses
    assert ctypes.sizeof(IoStatus) == 2 * address


def test_no_dialogue_ever_asks_for_a_disk():
    kernel = Kernel()
    SystemCalls(kernel, lambda: 0, "none is asked")
    assert kernel.called == [("SetErrorMode", 1)]  # SEM_FAILCRITICALERRORS


def test_a_file_is_opened_with_what_was_chosen():
    kernel = Kernel(CreateFileW=lambda *_: 0x1234)
    assert _calls(kernel).open("\\\\?\\E:\\é.fits", openings.NEW_FILE) == 0x1234
    assert kernel.called == [
        ("CreateFileW", "\\\\?\\E:\\é.fits", 0x40000000, 1 | 4, None, 1, 0x00200000, None),
    ]


@pytest.mark.parametrize(
    ("code", "kind", "number"),
    [
        (2, FileNotFoundError, errno.ENOENT),
        (32, OSError, errno.EBUSY),
        (1167, OSError, errno.ENODEV),
        (112, OSError, errno.ENOSPC),
    ],
)
def test_a_file_that_cannot_be_opened_raises_what_it_means(code, kind, number):
    kernel = Kernel()
    kernel._answers["CreateFileW"] = kernel.fail(code, INVALID_HANDLE)
    with pytest.raises(kind) as raised:
        _calls(kernel).open("\\\\?\\E:\\a.fits", openings.SOURCE)
    assert raised.value.errno == number
    assert raised.value.filename == "\\\\?\\E:\\a.fits"


def test_a_file_is_opened_by_its_name_in_an_open_folder():
    seen = []

    def create(handle, access, where, _done, size, attributes, share, disposition, options, _more, _length):
        name = where[0].name[0]
        text = ctypes.string_at(name.buffer, name.length).decode("utf-16-le")
        seen.append((text, where[0].length, where[0].root, where[0].attributes, where[0].security))
        seen.append((access, size, attributes, share, disposition, options))
        handle[0] = 0x1234
        return 0

    calls = _calls(Kernel(NtCreateFile=create))
    assert calls.open_in(0x50, "\\\\?\\E:\\night\\é.fits", openings.NEW_FILE) == 0x1234
    # GENERIC_WRITE | SYNCHRONIZE | FILE_READ_ATTRIBUTES; FILE_CREATE; FILE_SYNCHRONOUS_IO_NONALERT
    # | FILE_NON_DIRECTORY_FILE | FILE_OPEN_REPARSE_POINT: winternl.h, ntifs.h, from memory
    assert seen == [
        ("é.fits", ctypes.sizeof(ObjectAttributes), 0x50, 0x40, None),
        (0x40100080, None, 0x80, 1 | 4, 2, 0x00200060),
    ]


@pytest.mark.parametrize(
    ("status", "code", "number"),
    [
        (0xC0000034, 2, errno.ENOENT),  # STATUS_OBJECT_NAME_NOT_FOUND
        (0xC0000035, 183, errno.EEXIST),  # STATUS_OBJECT_NAME_COLLISION
        (0xC0000043, 32, errno.EBUSY),  # STATUS_SHARING_VIOLATION
        (0xC000009D, 1167, errno.ENODEV),  # STATUS_DEVICE_NOT_CONNECTED
        (0x80000016, 21, errno.ENODEV),  # STATUS_VERIFY_REQUIRED, a warning: nothing was opened
    ],
)
def test_a_status_of_the_native_interface_raises_what_it_means(status, code, number):
    asked = []
    kernel = Kernel(NtCreateFile=lambda *_: status)
    kernel._answers["RtlNtStatusToDosError"] = lambda given: asked.append(given) or code
    with pytest.raises(OSError) as raised:  # noqa: PT011 - its text is the system's
        _calls(kernel).open_in(0x50, "\\\\?\\E:\\a.fits", openings.FILE_TO_READ)
    assert (asked, raised.value.errno) == ([status], number)
    assert raised.value.filename == "\\\\?\\E:\\a.fits"


def test_an_open_file_is_opened_once_more_by_its_handle():
    kernel = Kernel(ReOpenFile=lambda *_: 77)
    assert _calls(kernel).reopen(76, openings.ALONE_WITH_READERS) == 77
    assert kernel.called == [("ReOpenFile", 76, 0x80000000, 1 | 4, 0)]


def test_facts_are_put_together_from_their_halves():
    def answer(_handle, found):
        found[0].attributes = 0x10
        found[0].volume_serial = 0xDEADBEEF
        found[0].index_high, found[0].index_low = 0x00010000, 0x2A
        return 1

    facts = _calls(Kernel(GetFileInformationByHandle=answer)).facts(9)
    assert facts == HandleFacts(Identity(0xDEADBEEF, 0x00010000_0000002A), 0x10)
    assert facts.is_folder


def test_size_and_times_are_asked_for_without_a_look_at_the_volume():
    def answer(_handle, kind, address, size_bytes):
        found = {0: BasicInfo, 1: StandardInfo}[kind].from_address(address)
        assert ctypes.sizeof(found) == size_bytes
        if kind == 0:
            found.created, found.modified, found.attributes = 3, 0x01DCB3F2_12345678, 0x420
        else:
            found.size_bytes = (4 << 30) + 5
        return 1

    found = _calls(Kernel(GetFileInformationByHandleEx=answer)).size_and_times(9)
    assert found == SizeAndTimes((4 << 30) + 5, 0x01DCB3F2_12345678, 3, 0x420)
    assert found.may_be_a_link


def test_a_read_fills_the_buffer_itself():
    def answer(_handle, start, length, taken, _overlapped):
        ctypes.memset(start, 0x5A, length)
        taken[0] = length
        return 1

    buffer = mmap.mmap(-1, 8192)
    kernel = Kernel(ReadFile=answer)
    assert _calls(kernel).read(9, buffer) == 8192
    assert buffer[:] == b"\x5a" * 8192
    assert kernel.called[0][3] == 8192
    buffer.close()  # nothing holds on to it


def test_a_read_that_fails_is_raised():
    kernel = Kernel()
    kernel._answers["ReadFile"] = kernel.fail(23)  # ERROR_CRC
    with mmap.mmap(-1, 4096) as buffer, pytest.raises(OSError) as raised:  # noqa: PT011 - its text is the system's
        _calls(kernel).read(9, buffer)
    assert raised.value.errno == errno.EIO


def test_only_the_last_write_s_time_is_set():
    seen = []

    def answer(_handle, created, accessed, modified):
        seen.append((bool(created), bool(accessed), modified[0].high << 32 | modified[0].low))
        return 1

    _calls(Kernel(SetFileTime=answer)).set_modified(9, 0x01DCB3F2_12345678)
    assert seen == [(False, False, 0x01DCB3F2_12345678)]


def test_a_lock_is_asked_for_without_waiting_on_one_byte_far_out():
    seen = []

    def answer(_handle, flags, _reserved, low, high, where):
        seen.append((flags, low, high, where[0].offset_high << 32 | where[0].offset, where[0].event))
        return 1

    _calls(Kernel(LockFileEx=answer)).lock(9, 1 << 62)
    assert seen == [(1 | 2, 1, 0, 1 << 62, None)]


def test_a_lock_that_another_has_is_told():
    kernel = Kernel()
    kernel._answers["LockFileEx"] = kernel.fail(33)
    with pytest.raises(OSError) as raised:  # noqa: PT011 - its text is the system's
        _calls(kernel).lock(9, 0)
    assert raised.value.errno == errno.EBUSY


def test_a_rename_takes_the_other_s_place_and_is_written_through():
    kernel = Kernel(MoveFileExW=lambda *_: 1)
    _calls(kernel).move("\\\\?\\E:\\1.part", "\\\\?\\E:\\a.fits")
    assert kernel.called == [("MoveFileExW", "\\\\?\\E:\\1.part", "\\\\?\\E:\\a.fits", 1 | 8)]
    _calls(kernel).move("\\\\?\\E:\\1.part", "\\\\?\\E:\\a.fits", replacing=False)
    assert kernel.called == [("MoveFileExW", "\\\\?\\E:\\1.part", "\\\\?\\E:\\a.fits", 8)]


@pytest.mark.parametrize(
    ("act", "name"),
    [
        (lambda calls: calls.close(9), "CloseHandle"),
        (lambda calls: calls.flush(9), "FlushFileBuffers"),
        (lambda calls: calls.move("a", "b"), "MoveFileExW"),
        (lambda calls: calls.remove("a"), "DeleteFileW"),
        (lambda calls: calls.make_folder("a"), "CreateDirectoryW"),
        (lambda calls: calls.facts(9), "GetFileInformationByHandle"),
        (lambda calls: calls.size_and_times(9), "GetFileInformationByHandleEx"),
        (lambda calls: calls.set_modified(9, 1), "SetFileTime"),
        (lambda calls: calls.final_path(9), "GetFinalPathNameByHandleW"),
        (lambda calls: calls.volume_root("a"), "GetVolumePathNameW"),
        (lambda calls: calls.volume_facts("a"), "GetVolumeInformationW"),
        (lambda calls: calls.free_bytes("a"), "GetDiskFreeSpaceExW"),
        (lambda calls: calls.sector_bytes("a"), "GetDiskFreeSpaceW"),
    ],
)
def test_every_call_that_fails_is_raised(act, name):
    kernel = Kernel()
    kernel._answers[name] = kernel.fail(1167)  # ERROR_DEVICE_NOT_CONNECTED
    with pytest.raises(OSError) as raised:  # noqa: PT011 - its text is the system's
        act(_calls(kernel))
    assert raised.value.errno == errno.ENODEV


def test_a_folder_is_asked_for_by_its_volume_s_own_name():
    def answer(_handle, path, _size, _flags):
        _fill(path, "\\\\?\\Volume{6c1d}\\nights")
        return 22

    kernel = Kernel(GetFinalPathNameByHandleW=answer)
    assert _calls(kernel).final_path(9) == "\\\\?\\Volume{6c1d}\\nights"
    assert kernel.called[0][4] == 1  # VOLUME_NAME_GUID


def test_a_volume_s_root_serial_name_space_and_sector_are_told():
    def root(_path, found, _size):
        _fill(found, "E:\\")
        return 1

    def information(_root, _label, _label_size, serial, _longest, _flags, name, _name_size):
        serial[0] = 0x1A2B3C4D
        _fill(name, "exFAT")
        return 1

    def space(root, free, total, _all_free):
        free[0], total[0] = (5 << 40, 8 << 40) if root == "E:\\" else (0, 0)
        return 1

    def clusters(_root, _sectors, sector_bytes, _free, _total):
        sector_bytes[0] = 4096
        return 1

    calls = _calls(
        Kernel(
            GetVolumePathNameW=root,
            GetVolumeInformationW=information,
            GetDiskFreeSpaceExW=space,
            GetDiskFreeSpaceW=clusters,
            GetLogicalDrives=lambda: 0b10100,
            GetDriveTypeW=lambda _root: 2,
        )
    )
    assert calls.volume_root("E:\\nights") == "E:\\"
    assert calls.volume_facts("E:\\") == (0x1A2B3C4D, "exFAT")
    assert calls.free_bytes("E:\\") == 5 << 40
    assert calls.free_bytes("Z:\\") == FREE_UNKNOWN
    assert calls.sector_bytes("E:\\") == 4096
    assert calls.drives() == 0b10100
    assert calls.drive_type("E:\\") == openings.DRIVE_REMOVABLE


def test_descriptors_are_binary_and_not_inherited():
    seen = []
    runtime = SimpleNamespace(
        open_osfhandle=lambda handle, flags: seen.append((handle, flags)) or 5,
        get_osfhandle=lambda descriptor: descriptor + 100,
    )
    calls = _calls(Kernel(), runtime)
    assert calls.descriptor(9, writable=True) == 5
    assert calls.descriptor(9, writable=False) == 5
    # The C runtime's _O_WRONLY, _O_BINARY and _O_NOINHERIT, from Microsoft's fcntl.h.
    assert seen == [(9, 0x0001 | 0x8000 | 0x0080), (9, 0x8000 | 0x0080)]
    assert calls.handle(5) == 105


def test_a_listing_and_a_look_go_to_the_system(tmp_path):
    (tmp_path / "b").write_bytes(b"12345")
    (tmp_path / "a").mkdir()
    calls = _calls(Kernel())
    assert sorted(name for name, _ in calls.names(str(tmp_path))) == ["a", "b"]
    assert calls.stat(str(tmp_path / "b")).st_size == 5
    with pytest.raises(FileNotFoundError):
        calls.stat(str(tmp_path / "c"))
    with pytest.raises(FileNotFoundError):
        calls.names(str(tmp_path / "c"))


def test_a_link_is_asked_of_the_system(tmp_path):
    need_links()
    (tmp_path / "light.fits").write_bytes(b"a frame")
    calls = _calls(Kernel())
    calls.hard_link(str(tmp_path / "light.fits"), str(tmp_path / "a"))
    calls.symbolic_link(str(tmp_path / "light.fits"), str(tmp_path / "b"))
    assert (tmp_path / "a").samefile(tmp_path / "light.fits")
    assert (tmp_path / "b").readlink() == tmp_path / "light.fits"
    for way in (calls.hard_link, calls.symbolic_link):
        with pytest.raises(FileExistsError):
            way(str(tmp_path / "light.fits"), str(tmp_path / "a"))


@pytest.mark.parametrize(
    ("attributes", "tag", "folder", "elsewhere"),
    [
        (0x10, 0, True, False),
        (0x20, 0, False, False),
        (0x410, 0xA0000003, False, True),  # a junction is no folder of ours
        (0x410, 0x9000001A, True, False),  # a folder that a cloud fills
    ],
)
def test_a_folder_is_told_from_a_junction(attributes, tag, folder, elsewhere):
    facts = SimpleNamespace(st_file_attributes=attributes, st_reparse_tag=tag)
    assert is_folder(facts) is folder
    assert is_elsewhere(facts) is elsewhere


@pytest.mark.skipif(os.name != "nt", reason="Windows only")
def test_windows_itself_knows_every_call_by_this_name(tmp_path):
    calls = SystemCalls()
    handle = calls.open(str(tmp_path), openings.PINNED_FOLDER)
    assert calls.facts(handle).is_folder
    path = f"{tmp_path}\\light é.fits"
    for how in (openings.NEW_FILE, openings.FILE_TO_READ, openings.UNBUFFERED, openings.FILE_TO_REMOVE):
        opened = calls.open_in(handle, path, how)
        assert not calls.facts(opened).is_folder
        looked_at, found = calls.size_and_times(opened), calls.stat(path)
        assert looked_at.size_bytes == found.st_size == 0
        assert (looked_at.modified - 116_444_736_000_000_000) * 100 == found.st_mtime_ns
        calls.close(opened)
    assert [name for name, _ in calls.names(str(tmp_path))] == ["light é.fits"]
    with pytest.raises(FileExistsError):
        calls.open_in(handle, path, openings.NEW_FILE)
    with pytest.raises(FileNotFoundError):
        calls.open_in(handle, f"{path}.gone", openings.SOURCE)
    calls.close(handle)


def test_a_file_is_removed_by_its_handle():
    flags = []

    def remove(handle, kind, information, size_bytes):
        flags.append((handle, kind, ctypes.c_ubyte.from_address(information).value, size_bytes))
        return 1

    kernel = Kernel(SetFileInformationByHandle=remove)
    _calls(kernel).remove_opened(0x50)
    assert flags == [(0x50, 4, 1, 1)]  # FileDispositionInfo; FILE_DISPOSITION_INFO.DeleteFile


def test_a_file_that_cannot_be_removed_says_so():
    kernel = Kernel()
    kernel._answers["SetFileInformationByHandle"] = kernel.fail(5)
    with pytest.raises(PermissionError):
        _calls(kernel).remove_opened(0x50)


def test_a_folder_is_removed_by_its_path():
    kernel = Kernel(RemoveDirectoryW=lambda path: 1)
    _calls(kernel).remove_folder("E:\\night")
    assert kernel.called == [("RemoveDirectoryW", "E:\\night")]
