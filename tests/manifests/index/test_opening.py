"""The index opened: made, brought up to date, refused, shared."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from manifests.index import connecting, opening
from manifests.index.faults import (
    IndexBusy,
    IndexDamaged,
    IndexNewer,
    IndexOlder,
    IndexUnusable,
    NoIndex,
)
from manifests.index.frame_query import FrameQuery
from manifests.index.frames import frames, total
from manifests.index.migrations import MIGRATIONS, NEWEST, Migration
from manifests.index.nights import nights
from manifests.index.opening import open_index
from manifests.index.targets import targets
from tests.support.systems import need_every_name, need_users


def journal_mode(archive: Any, **options: Any) -> str:
    with archive.open(**options) as index:
        return str(index.row("PRAGMA journal_mode")[0])


@pytest.fixture
def filed(archive: Any, make: Any) -> Any:
    archive.write("NGC 7331", [make.light(number) for number in range(40)])
    archive.rebuild()
    return archive


def test_a_reader_of_nothing_is_told_so_and_leaves_nothing(archive: Any) -> None:
    with pytest.raises(NoIndex):
        archive.open()
    assert list(archive.folder.iterdir()) == []


@pytest.mark.parametrize("content", [b""])
def test_an_empty_file_is_no_index_yet(archive: Any, content: bytes) -> None:
    archive.index_path.write_bytes(content)
    with pytest.raises(NoIndex):
        archive.open()


def test_a_writer_makes_what_is_not_there_with_a_write_ahead_log(archive: Any) -> None:
    archive.open(write=True).close()
    assert journal_mode(archive) == "wal"
    assert archive.frames() == []


def test_on_a_network_no_log_is_kept_that_only_one_computer_can_share(filed: Any) -> None:
    filed.open(write=True, on_network=True).close()
    assert journal_mode(filed) == "delete"
    assert len(filed.frames()) == 40
    filed.open(write=True).close()
    assert journal_mode(filed) == "wal"


def test_nothing_lies_beside_an_index_that_was_closed(filed: Any) -> None:
    with filed.open() as index, filed.open(write=True):
        list(targets(index))
    assert sorted(path.name for path in filed.folder.iterdir()) == ["NGC 7331", "index.sqlite"]


def test_an_index_is_let_go_of_whatever_question_is_half_answered(filed: Any) -> None:
    with filed.open() as index:
        answers = index.rows("SELECT * FROM files")
        next(answers)
    assert sorted(path.name for path in filed.folder.iterdir()) == ["NGC 7331", "index.sqlite"]
    filed.index_path.rename(filed.folder / "another name")


# Newer and older


def make_newer(path: Path, version: int) -> None:
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {version}")
    connection.close()


@pytest.mark.parametrize("write", [False, True])
def test_an_index_of_a_newer_version_is_refused_and_not_touched(filed: Any, write: bool) -> None:
    make_newer(filed.index_path, NEWEST + 1)
    before = filed.index_path.read_bytes()
    for act in (lambda: filed.open(write=write), filed.bring_up_to_date, filed.rebuild):
        with pytest.raises(IndexNewer) as refused:
            act()
        assert (refused.value.found, refused.value.known) == (NEWEST + 1, NEWEST)
    assert filed.index_path.read_bytes() == before
    assert sorted(path.name for path in filed.folder.iterdir()) == ["NGC 7331", "index.sqlite"]


@pytest.fixture
def next_version(monkeypatch: pytest.MonkeyPatch) -> None:
    """Return the program one more step than the index has taken."""
    step = Migration("one more", ("ALTER TABLE files ADD COLUMN stars INTEGER",))
    monkeypatch.setattr(opening, "MIGRATIONS", (*MIGRATIONS, step))


@pytest.mark.parametrize("write", [False, True])
def test_an_older_index_is_brought_up_to_date_with_all_that_it_has(
    filed: Any, next_version: None, write: bool
) -> None:
    with filed.open(write=write) as index:
        assert index.row("PRAGMA user_version")[0] == NEWEST + 1
        assert index.row("SELECT count(stars), count(*) FROM files")[:] == (0, 40)


# Damage


def test_random_bytes_are_no_index(archive: Any) -> None:
    archive.index_path.write_bytes(os.urandom(8192))
    for write in (False, True):
        with pytest.raises(IndexDamaged):
            archive.open(write=write)


@pytest.mark.parametrize("part", [0.02, 0.3, 0.5, 0.99])
def test_an_index_cut_short_is_recognised_when_it_is_opened(filed: Any, part: float) -> None:
    content = filed.index_path.read_bytes()
    filed.index_path.write_bytes(content[: int(len(content) * part)])
    for write in (False, True):
        with pytest.raises(IndexDamaged):
            filed.open(write=write)


def test_a_database_of_another_program_is_no_index_and_is_not_touched(archive: Any) -> None:
    connection = sqlite3.connect(archive.index_path)
    connection.execute("CREATE TABLE recipes (name)")
    connection.close()
    before = archive.index_path.read_bytes()
    for write in (False, True):
        with pytest.raises(IndexDamaged, match="not an index"):
            archive.open(write=write)
    assert archive.index_path.read_bytes() == before


def ask_everything(archive: Any) -> list[object]:
    with archive.open() as index:
        return [
            list(targets(index)),
            list(nights(index)),
            list(frames(index, FrameQuery())),
            total(index, FrameQuery()),
        ]


@pytest.fixture(scope="session")
def sound(new_archive: Any, make: Any) -> Any:
    archive = new_archive()
    archive.write("NGC 7331", [make.light(number) for number in range(40)])
    archive.rebuild()
    archive.content = archive.index_path.read_bytes()
    return archive


@settings(max_examples=60)
@given(place=st.floats(0, 0.9999), noise=st.binary(min_size=1, max_size=3000))
def test_noise_in_an_index_is_damage_or_does_no_harm(sound: Any, place: float, noise: bytes) -> None:
    archive, content = sound, sound.content
    start = int(place * len(content))
    archive.index_path.write_bytes((content[:start] + noise + content[start + len(noise) :])[: len(content)])
    # A flipped version is a newer version, an index without one none yet.
    with suppress(IndexDamaged, IndexNewer, NoIndex):
        ask_everything(archive)
    for side in ("-wal", "-shm", "-journal"):
        Path(f"{archive.index_path}{side}").unlink(missing_ok=True)


def test_an_index_without_tables_is_damaged(filed: Any) -> None:
    connection = sqlite3.connect(filed.index_path)
    connection.execute("DROP TABLE findings")
    connection.execute("DROP TABLE files")
    connection.close()
    with pytest.raises(IndexDamaged):
        filed.frames()


def test_a_night_that_is_none_is_damage(filed: Any) -> None:
    connection = sqlite3.connect(filed.index_path)
    connection.execute("UPDATE series SET night = '2026-99-99'")
    connection.commit()
    connection.close()
    with filed.open() as index:
        for ask in (
            lambda: list(targets(index)),
            lambda: list(nights(index)),
            lambda: list(frames(index, FrameQuery())),
        ):
            with pytest.raises(IndexDamaged):
                ask()


# Places


def test_a_folder_in_the_place_of_the_index_cannot_be_used(archive: Any) -> None:
    archive.index_path.mkdir()
    for write in (False, True):
        with pytest.raises(IndexUnusable):
            archive.open(write=write)


def test_an_archive_that_is_not_there_has_no_index(tmp_path: Path) -> None:
    with pytest.raises(NoIndex):
        open_index(tmp_path / "nowhere/index.sqlite")
    with pytest.raises(IndexUnusable):
        open_index(tmp_path / "nowhere/index.sqlite", write=True)


@pytest.mark.parametrize(
    "name", [pytest.param("a?b", marks=need_every_name), "a#b", "a%20b", "a b", "ä", "a'b", "a&mode=memory"]
)
def test_a_folder_may_have_any_name(tmp_path: Path, name: str) -> None:
    path = tmp_path / name / "index.sqlite"
    path.parent.mkdir()
    open_index(path, write=True).close()
    assert path.stat().st_size > 0
    open_index(path).close()


@pytest.mark.parametrize(
    ("path", "uri"),
    [
        (PurePosixPath("/home/a b/index.sqlite"), "file:///home/a%20b/index.sqlite?mode=ro"),
        (PureWindowsPath(r"D:\archive\index.sqlite"), "file:///D:/archive/index.sqlite?mode=ro"),
        (PureWindowsPath(r"\\nas\share\index.sqlite"), "file:////nas/share/index.sqlite?mode=ro"),
        (PurePosixPath("/a\udcff/index.sqlite"), "file:///a%FF/index.sqlite?mode=ro"),
    ],
)
def test_a_path_is_spelt_as_sqlite_takes_it(path: Any, uri: str) -> None:
    assert connecting.uri_of(path, "ro") == uri


@pytest.fixture
def without_privileges() -> Iterator[None]:
    """Be a user whom permissions bind."""
    if os.name == "nt":
        pytest.skip("permissions of folders bind nobody there")
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    yield
    os.seteuid(0)


@pytest.fixture
def read_only(filed: Any, request: pytest.FixtureRequest) -> Iterator[Any]:
    """An archive as on a medium that can't be written."""
    for folder in (filed.folder, *filed.folder.parents):
        if folder.stat().st_uid == os.geteuid() and folder != Path("/"):
            folder.chmod(folder.stat().st_mode | 0o055)
    filed.index_path.chmod(0o444)
    filed.folder.chmod(0o555)
    request.getfixturevalue("without_privileges")
    yield filed
    if os.name != "nt" and os.getuid() == 0:
        os.seteuid(0)
    filed.folder.chmod(0o755)


@need_users
def test_an_index_on_a_read_only_medium_is_read(read_only: Any) -> None:
    assert len(read_only.frames()) == 40


@need_users
def test_an_index_on_a_read_only_medium_is_not_written(read_only: Any) -> None:
    with pytest.raises(IndexUnusable):
        read_only.open(write=True)
    with pytest.raises(IndexUnusable):
        read_only.rebuild()


@need_users
def test_an_older_index_on_a_read_only_medium_says_so(read_only: Any, next_version: None) -> None:
    with pytest.raises(IndexOlder) as refused:
        read_only.open()
    assert (refused.value.found, refused.value.known) == (NEWEST, NEWEST + 1)


# Together


def test_a_reader_reads_on_while_another_writes(filed: Any, make: Any) -> None:
    with filed.open() as reader:
        rows = frames(reader, FrameQuery())
        first = next(rows)
        filed.write("NGC 7331", [make.light(number) for number in range(100, 105)])
        filed.bring_up_to_date()
        assert len([first, *rows]) == 40
        assert len(list(frames(reader, FrameQuery()))) == 5


def test_a_reader_sees_nothing_of_what_is_not_done(filed: Any) -> None:
    with filed.open(write=True) as writer, filed.open() as reader, writer.writing() as connection:
        connection.execute("DELETE FROM files")
        assert len(list(frames(reader, FrameQuery()))) == 40


def test_a_writer_may_ask_in_the_middle_of_what_it_does(filed: Any) -> None:
    with filed.open(write=True) as writer, writer.writing() as connection:
        connection.execute("UPDATE series SET target = 'M 31'")
        assert [row.target for row in targets(writer)] == ["M 31"]
        assert connection.in_transaction


def test_what_fails_half_way_is_taken_back(filed: Any) -> None:
    def fail(connection: sqlite3.Connection) -> None:
        connection.execute("DELETE FROM files")
        raise ZeroDivisionError

    with filed.open(write=True) as writer:
        with pytest.raises(ZeroDivisionError), writer.writing() as connection:
            fail(connection)
        assert len(list(frames(writer, FrameQuery()))) == 40


def test_a_second_writer_waits_no_longer_than_it_is_patient(filed: Any) -> None:
    with filed.open(write=True) as first, filed.open(write=True, patience_s=0.01) as second:
        with first.writing(), pytest.raises(IndexBusy), second.writing():
            pass
        with second.writing():
            pass


def test_asking_an_index_loads_no_library_of_arrays() -> None:
    modules = ("frames", "targets", "nights", "names", "holdings")
    program = "import sys; " + "; ".join(f"import manifests.index.{name}" for name in modules)
    program += "; print([name for name in ('numpy', 'astropy', 'xxhash') if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
