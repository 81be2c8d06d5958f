"""A journal that grows, sizes as a folder lists them, and volumes by a path: against recorded answers."""

import os
import stat
from datetime import UTC, datetime
from pathlib import Path, PureWindowsPath
from types import SimpleNamespace

import pytest

from tests.support.recorded_windows import System
from transfer.engine.ledger import NAME, LetGo, Place, open_ledger
from transfer.engine.medium.base import Volume, write_all
from transfer.engine.medium.windows import calls as windows_calls
from transfer.engine.medium.windows import openings
from transfer.engine.medium.windows.calls import SystemCalls
from transfer.engine.medium.windows.medium import WindowsFolder, WindowsMedium
from transfer.engine.medium.windows.signatures import NATIVE_SIGNATURES, SIGNATURES
from transfer.errors import Busy


@pytest.fixture
def system(tmp_path):
    (tmp_path / "stick").mkdir()
    return System(tmp_path / "stick")


@pytest.fixture
def pinned(system):
    folder = WindowsFolder(PureWindowsPath("E:/nights"), system)
    yield folder
    folder.close()


def test_a_journal_is_gone_on_with_at_its_end_and_nothing_in_it_is_written_over(system, pinned, tmp_path):
    journal = tmp_path / "stick" / "journal.jsonl"
    journal.write_bytes(b"first\n")
    descriptor = pinned.extend_file("journal.jsonl")
    write_all(descriptor, b"second\n")
    os.close(descriptor)
    assert journal.read_bytes() == b"first\nsecond\n"
    access = next(call[2].access for call in system.called if call[0] == "open_in")
    assert access == openings.FILE_TO_EXTEND.access


@pytest.mark.skipif(
    os.name == "nt", reason="the real calls are tried there, by tests/windows/test_letting_go.py"
)
def test_the_ledger_is_written_and_read_again_while_its_run_has_it_locked(system, tmp_path):
    records = tmp_path / "stick"
    system.stands_for_itself(records)
    going = LetGo(Place("source", "frames", "frames"), "light 1.fits", 5, "0" * 64, ())
    with open_ledger(records, WindowsMedium(system)) as ledger:
        ledger.write([going], datetime(2026, 3, 20, tzinfo=UTC))
        with pytest.raises(Busy), open_ledger(records, WindowsMedium(system)):
            pass
        ledger.write([going], datetime(2026, 3, 21, tzinfo=UTC))
    assert len((records / NAME).read_bytes().splitlines()) == 2


def test_a_journal_that_is_not_there_is_not_begun_by_going_on_with_it(pinned, tmp_path):
    with pytest.raises(FileNotFoundError):
        pinned.extend_file("journal.jsonl")
    assert list((tmp_path / "stick").iterdir()) == []


def test_sizes_are_told_of_the_files_of_a_folder_and_of_none_that_is_not_there(pinned, tmp_path):
    (tmp_path / "stick" / "night").mkdir()
    (tmp_path / "stick" / "night" / "a").write_bytes(b"abc")
    (tmp_path / "stick" / "night" / "b").write_bytes(b"")
    assert pinned.sizes("night") == {"a": 3, "b": 0}
    assert pinned.sizes("gone") == {}


def test_the_volume_that_a_path_is_on_is_told_by_its_root(system):
    system.volumes["E:\\"] = (0x1A2B3C4D, "exFAT")
    assert WindowsMedium(system).volume_of(PureWindowsPath("E:/nights/data")) == Volume(
        Path("E:\\"), "exFAT", "1A2B-3C4D"
    )


def test_a_folder_whose_place_cannot_be_opened_any_more_is_not_still_there(system, pinned):
    assert pinned.still_there()
    system.failures["open"] = [21]  # ERROR_NOT_READY
    assert not pinned.still_there()
    assert pinned.still_there()


# Through the system's own calls


class Library:
    """Stands for a library as it is loaded: gives each function that has a signature, and no other."""

    def __init__(self, signatures):
        for name in signatures:
            setattr(self, name, SimpleNamespace())


@pytest.mark.parametrize(("name", "signatures"), [("kernel32", SIGNATURES), ("ntdll", NATIVE_SIGNATURES)])
def test_each_function_of_the_system_gets_its_signature_and_keeps_its_own_last_error(
    monkeypatch, name, signatures
):
    loaded = []

    def load(name, **how):
        loaded.append((name, how))
        return Library(signatures)

    monkeypatch.setattr(windows_calls, "_ctypes", SimpleNamespace(WinDLL=load))
    library = windows_calls._library(name, signatures)
    assert loaded == [(name, {"use_last_error": True})]
    for function_name, (result, arguments) in signatures.items():
        function = getattr(library, function_name)
        assert (function.restype, function.argtypes) == (result, arguments)


def test_sizes_come_from_the_listing_itself_and_folders_have_none(monkeypatch, tmp_path):
    (tmp_path / "folder").mkdir()
    (tmp_path / "a").write_bytes(b"abc")
    attributes = {True: windows_calls.FILE_ATTRIBUTE_DIRECTORY, False: 0}
    monkeypatch.setattr(windows_calls, "_attributes", lambda facts: attributes[stat.S_ISDIR(facts.st_mode)])
    calls = SystemCalls(SimpleNamespace(SetErrorMode=lambda mode: 0), lambda: 0, "none is asked")
    assert calls.sizes(str(tmp_path)) == {"a": 3}
    with pytest.raises(FileNotFoundError):
        calls.sizes(str(tmp_path / "gone"))


def test_a_pause_is_as_long_as_it_is_asked_to_be(monkeypatch):
    slept = []
    monkeypatch.setattr(windows_calls.time, "sleep", slept.append)
    SystemCalls(SimpleNamespace(SetErrorMode=lambda mode: 0), lambda: 0, "none is asked").pause(0.25)
    assert slept == [0.25]
