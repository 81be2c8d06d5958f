import errno
import hashlib
import itertools
import os
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from manifests.bags.algorithms import SHA256, algorithm_named
from manifests.bags.containment import NotOrdinary
from manifests.bags.declared import Manifest
from manifests.bags.hashing import Job, Read, digest_files, read_plainly
from manifests.bags.inventory import Expected
from tests.support.systems import need_pipes

A_MANIFEST = Manifest("manifest-sha256.txt", SHA256, {}, {})
Progress = Callable[[int], None]


def job(folder: Path, name: str, content: bytes) -> Job:
    return Job(name, folder / name, (Expected(A_MANIFEST, hashlib.sha256(content).digest()),))


def jobs_of(folder: Path, *contents: bytes) -> list[Job]:
    for number, content in enumerate(contents):
        (folder / str(number)).write_bytes(content)
    return [job(folder, str(number), content) for number, content in enumerate(contents)]


def silent(count: int) -> None:
    pass


def run(
    folder: Path, jobs: list[Job], read: Read = read_plainly, progress: Progress = silent
) -> list[tuple[str, str]]:
    return [(one.wrong, one.unreadable) for one in digest_files(folder, jobs, read, progress)]


def test_files_of_every_size_are_digested_in_their_order(tmp_path: Path) -> None:
    contents = [b"", b"a", b"x" * (1 << 20), b"y" * ((1 << 20) + 1), b"z" * (3 << 20), b"end"]
    results = list(digest_files(tmp_path, jobs_of(tmp_path, *contents), read_plainly, silent))
    assert [one.size_bytes for one in results] == [len(content) for content in contents]
    assert all(not one.wrong and not one.unreadable for one in results)


def test_more_small_files_than_one_batch_holds_are_all_there(tmp_path: Path) -> None:
    jobs = jobs_of(tmp_path, *(str(number).encode() for number in range(1001)))
    assert run(tmp_path, jobs) == [("", "")] * 1001


def test_a_difference_names_algorithm_and_manifest_and_both_digests(tmp_path: Path) -> None:
    (one,) = jobs_of(tmp_path, b"abc")
    one.file.write_bytes(b"abd")
    ((wrong, _),) = run(tmp_path, [one])
    assert "sha256" in wrong
    assert "manifest-sha256.txt" in wrong
    assert hashlib.sha256(b"abc").hexdigest() in wrong
    assert hashlib.sha256(b"abd").hexdigest() in wrong


def test_a_file_is_read_once_for_all_its_digests(tmp_path: Path) -> None:
    reads = []

    def counting(path: Path) -> Iterator[bytes]:
        reads.append(path)
        return read_plainly(path)

    (tmp_path / "a").write_bytes(b"abc")
    expected = tuple(
        Expected(
            Manifest(f"manifest-{name}.txt", algorithm_named(name), {}, {}),
            hashlib.new(name, b"abc").digest(),
        )
        for name in ("md5", "sha1", "sha3_256", "blake2b")
    )
    assert run(tmp_path, [Job("a", tmp_path / "a", expected)], counting) == [("", "")]
    assert reads == [tmp_path / "a"]


def test_a_block_that_is_used_again_by_its_reader_is_digested_as_it_was(tmp_path: Path) -> None:
    def reusing(path: Path) -> Iterator[memoryview]:
        buffer = bytearray(1 << 16)
        with path.open("rb", buffering=0) as file:
            while count := file.readinto(buffer):
                yield memoryview(buffer)[:count]

    jobs = jobs_of(tmp_path, os.urandom(3 << 20), os.urandom(100_000))
    assert run(tmp_path, jobs, reusing) == [("", "")] * 2


def test_an_unreadable_file_is_unreadable_and_the_others_are_read(tmp_path: Path) -> None:
    def broken(path: Path) -> Iterator[bytes]:
        yield b"a"
        if path.name == "1":
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    jobs = jobs_of(tmp_path, b"a", b"abc", b"a")
    assert run(tmp_path, jobs, broken) == [("", ""), ("", os.strerror(errno.EIO)), ("", "")]


@pytest.mark.parametrize("number", [errno.ENODEV, errno.ENXIO, errno.ENOTCONN])
def test_once_the_device_is_gone_nothing_more_is_opened(tmp_path: Path, number: int) -> None:
    opened = []

    def leaving(path: Path) -> Iterator[bytes]:
        opened.append(path.name)
        if path.name == "1":
            raise OSError(number, os.strerror(number))
        yield b"a"

    jobs = jobs_of(tmp_path, b"a", b"a", b"a", b"a")
    assert run(tmp_path, jobs, leaving) == [("", "")] + [("", os.strerror(number))] * 3
    assert opened == ["0", "1"]


def test_a_folder_that_goes_away_is_noticed_and_nothing_is_taken_for_changed(tmp_path: Path) -> None:
    folder = tmp_path / "night"
    folder.mkdir()

    def pulled(path: Path) -> Iterator[bytes]:
        yield from read_plainly(path)
        if path.name == "0":
            shutil.rmtree(folder)

    results = run(folder, jobs_of(folder, b"a", b"b", b"c"), pulled)
    assert results[0] == ("", "")
    assert all(not wrong and "the drive left" in unreadable for wrong, unreadable in results[1:])


def test_what_a_reader_raises_beside_a_system_error_reaches_the_caller(tmp_path: Path) -> None:
    def wrong(path: Path) -> Iterator[bytes]:
        raise ValueError("a defect")
        yield b""

    with pytest.raises(ValueError, match="a defect"):
        run(tmp_path, jobs_of(tmp_path, b"a"), wrong)


def test_progress_is_told_every_byte_in_the_callers_thread(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    jobs = jobs_of(tmp_path, b"a" * (3 << 20), b"b")
    run(tmp_path, jobs, progress=lambda count: told.append((count, threading.get_ident())))
    assert sum(count for count, _ in told) == (3 << 20) + 1
    assert {thread for _, thread in told} == {threading.get_ident()}


def test_ending_early_ends_the_thread_that_reads_ahead(tmp_path: Path) -> None:
    endless = (job(tmp_path, "a", b"abc") for _ in itertools.count())
    (tmp_path / "a").write_bytes(b"x" * (1 << 20))
    results = digest_files(tmp_path, endless, read_plainly, silent)
    next(results)
    (reader,) = (thread for thread in threading.enumerate() if thread.name == "reading ahead")
    assert reader.daemon  # a read that hangs must not keep the program from ending
    results.close()
    reader.join(10)
    assert not reader.is_alive()


def test_reading_runs_ahead_of_digesting_but_not_without_bound(tmp_path: Path) -> None:
    read_ahead = []

    def counting(path: Path) -> Iterator[bytes]:
        read_ahead.append(path)
        yield b"x" * (1 << 20)

    (tmp_path / "a").touch()
    endless = (job(tmp_path, "a", b"abc") for _ in itertools.count())
    results = digest_files(tmp_path, endless, counting, silent)
    next(results)
    results.close()
    assert len(read_ahead) < 20


@need_pipes
def test_the_plain_reader_refuses_what_is_no_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    with pytest.raises(NotOrdinary):
        list(read_plainly(tmp_path / "fifo"))


@pytest.mark.parametrize("code", [21, 433, 1167])
def test_on_windows_too_nothing_more_is_opened_once_the_device_is_gone(tmp_path: Path, code: int) -> None:
    """ERROR_NOT_READY, ERROR_NO_SUCH_DEVICE, ERROR_DEVICE_NOT_CONNECTED (winerror.h)."""

    class WindowsError(OSError):
        winerror = code

    opened = []

    def leaving(path: Path) -> Iterator[bytes]:
        opened.append(path.name)
        raise WindowsError(errno.EINVAL, "The device is not ready")
        yield b""

    assert (
        run(tmp_path, jobs_of(tmp_path, b"a", b"a", b"a"), leaving) == [("", "The device is not ready")] * 3
    )
    assert opened == ["0"]


def test_results_of_empty_files_come_though_no_byte_is_ever_read(tmp_path: Path) -> None:
    """They are handed over by their number: else a folder of empty logs would be kept in memory whole."""
    (tmp_path / "a").touch()
    endless = (job(tmp_path, "a", b"") for _ in itertools.count())
    results = digest_files(tmp_path, endless, read_plainly, silent)
    assert next(results).wrong == ""
    results.close()


def test_a_digest_of_an_unknown_algorithm_is_passed_over_and_the_others_are_compared(tmp_path: Path) -> None:
    unknown = Manifest("manifest-xyz999.txt", None, {}, {})
    (one,) = jobs_of(tmp_path, b"abc")
    assert run(tmp_path, [one._replace(expected=(Expected(unknown, b"?"), *one.expected))]) == [("", "")]
    assert run(tmp_path, [one._replace(expected=(Expected(unknown, b"?"),))]) == [("", "")]


def test_an_error_without_words_of_the_system_is_told_by_what_it_says(tmp_path: Path) -> None:
    def broken(path: Path) -> Iterator[bytes]:
        raise OSError("no number and no words")
        yield b""

    assert run(tmp_path, jobs_of(tmp_path, b"a"), broken) == [("", "no number and no words")]
