"""The index built anew: in the place of a sound one, a damaged one or none."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

import pytest

from manifests.findings import Finding, FindingKind
from manifests.index import rebuilding
from manifests.index.faults import IndexBusy, IndexDamaged, IndexUnusable
from manifests.index.found_bags import FoundBags, bags_of
from manifests.index.frame_query import FrameQuery
from manifests.index.frames import frames
from manifests.index.rebuilding import bring_up_to_date, rebuild


@pytest.fixture
def filed(archive: Any, make: Any) -> Any:
    archive.write("NGC 7331", [make.light(number) for number in range(60)])
    archive.write("nights/2026-03-14", [make.entry("data/weather.csv")])
    archive.bring_up_to_date()
    return archive


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_new_index_says_what_the_one_before_said(filed: Any) -> None:
    before = filed.dump()
    rebuilt = filed.rebuild()
    assert filed.dump() == before
    assert (rebuilt.set_aside, rebuilt.refreshed.bags, rebuilt.refreshed.files_added) == (None, 2, 61)
    assert names(filed.folder) == ["NGC 7331", "index.sqlite", "nights"]


def test_where_there_is_none_one_is_built(filed: Any) -> None:
    before = filed.dump()
    filed.index_path.unlink()
    assert filed.bring_up_to_date().set_aside is None
    assert filed.dump() == before


def test_rows_that_no_bag_backs_are_gone_from_a_new_index(filed: Any) -> None:
    with filed.open(write=True) as index, index.writing() as connection:
        connection.execute("UPDATE series SET target = 'M 31', total_exposure_s = 1e9")
    filed.rebuild()
    assert {row.target for row in filed.frames()} == {"NGC 7331"}


def test_a_new_index_keeps_a_log_unless_it_lies_on_a_network(filed: Any) -> None:
    for on_network, mode in ((True, "delete"), (False, "wal")):
        rebuild(filed.folder, on_network=on_network)
        with filed.open() as index:
            assert index.row("PRAGMA journal_mode")[0] == mode


def test_the_folder_for_temporary_files_is_left_as_it_was(
    filed: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "scratch").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "scratch"))
    filed.rebuild()
    assert names(tmp_path / "scratch") == []


def test_an_archive_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    for build in (rebuild, bring_up_to_date):
        with pytest.raises(OSError, match="nowhere"):
            build(tmp_path / "nowhere")
    assert names(tmp_path) == []


# Bags that vanished


def test_a_bag_that_vanished_is_carried_over_with_all_that_was_known_of_it(filed: Any, make: Any) -> None:
    cut = Finding(FindingKind.DATA_CUT_SHORT, "2880 bytes are missing")
    folder = filed.write(
        "NGC 7331", [*(make.light(number) for number in range(59)), make.light(59, findings=(cut,))]
    )
    with (folder / "nightferry/entries.jsonl").open("ab") as file:
        file.write(b"and more\n")
    filed.bring_up_to_date()
    shutil.rmtree(folder)
    filed.write("M 31", [make.light(1, "M 31", findings=(cut,))])
    filed.bring_up_to_date()
    before = filed.dump()
    assert len(before["findings"]) == 4
    filed.rebuild()
    assert filed.dump() == before
    assert sum(row.absent for row in filed.frames()) == 60


def test_a_bag_that_vanished_unnoticed_is_carried_over_too(filed: Any) -> None:
    shutil.rmtree(filed.folder / "NGC 7331")
    filed.rebuild()
    assert all(row.absent for row in filed.frames())
    assert len(filed.frames()) == 60


def test_a_bag_that_was_moved_is_not_carried_over(filed: Any) -> None:
    (filed.folder / "NGC 7331").rename(filed.folder / "galaxy")
    filed.rebuild()
    assert {(row.bag, row.absent) for row in filed.frames()} == {("galaxy", False)}


def test_a_bag_that_was_carried_over_can_return(filed: Any) -> None:
    (filed.folder / "NGC 7331").rename(filed.folder.parent / "elsewhere")
    filed.rebuild()
    (filed.folder.parent / "elsewhere").rename(filed.folder / "NGC 7331")
    assert filed.bring_up_to_date().refreshed.returned == ("NGC 7331",)
    assert not any(row.absent for row in filed.frames())


def test_bags_in_a_folder_that_cannot_be_looked_into_are_carried_over_as_they_were(
    filed: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def find(archive: Path) -> FoundBags:
        found = bags_of(archive)
        return FoundBags(
            {}, [Finding(FindingKind.UNREADABLE, "Permission denied", path) for path in found.bags]
        )

    monkeypatch.setattr(rebuilding, "bags_of", find)
    assert len(filed.rebuild().refreshed.findings) == 2
    assert [row.absent for row in filed.frames()] == [False] * 60


# Damage


def damage_a_table(path: Path) -> None:
    """Write noise over a page in the middle, which opening does not look at."""
    connection = sqlite3.connect(path)
    (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'series'").fetchone()
    connection.close()
    with path.open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(b"\xa5" * 4096)


@pytest.mark.parametrize("build", [rebuild, bring_up_to_date])
@pytest.mark.parametrize("how", ["noise", "cut", "foreign", "inside"])
def test_a_damaged_index_is_set_aside_and_built_again(filed: Any, build: Any, how: str) -> None:
    before = filed.dump()
    content = filed.index_path.read_bytes()
    if how == "foreign":
        filed.index_path.unlink()
        connection = sqlite3.connect(filed.index_path)
        connection.execute("CREATE TABLE recipes (name)")
        connection.close()
    elif how == "inside":
        damage_a_table(filed.index_path)
    else:
        filed.index_path.write_bytes(os.urandom(9000) if how == "noise" else content[: len(content) // 2])
    damaged = filed.index_path.read_bytes()
    if build is bring_up_to_date and how == "inside":
        # A look that finds nothing to do reads no series; the first change does.
        filed.folder.joinpath("NGC 7331/tagmanifest-sha256.txt").write_bytes(b"\n")
    set_aside = build(filed.folder).set_aside
    assert set_aside is not None
    assert "index" in set_aside.reason
    assert set_aside.path == filed.folder / "index.damaged.sqlite"
    assert set_aside.path.read_bytes() == damaged
    after = filed.dump()
    assert {name: after[name] for name in ("series", "files")} == {
        name: before[name] for name in ("series", "files")
    }


def test_a_question_to_a_damaged_index_says_that_it_is(filed: Any) -> None:
    damage_a_table(filed.index_path)
    with pytest.raises(IndexDamaged):
        filed.frames()


def test_an_index_set_aside_makes_place_for_the_next_with_the_logs_of_both(filed: Any) -> None:
    aside = filed.folder / "index.damaged.sqlite"
    aside.write_bytes(b"older")
    Path(f"{aside}-wal").write_bytes(b"older")
    filed.index_path.write_bytes(b"noise" * 2000)
    Path(f"{filed.index_path}-shm").write_bytes(b"newer")
    filed.bring_up_to_date()
    assert aside.read_bytes() == b"noise" * 2000
    assert not Path(f"{aside}-wal").exists()
    assert Path(f"{aside}-shm").read_bytes() == b"newer"
    assert len(filed.frames()) == 60


def test_a_log_left_beside_a_damaged_index_does_not_get_into_the_new_one(filed: Any, make: Any) -> None:
    filed.write("NGC 7331", [make.light(number) for number in range(3)])
    with filed.open() as reader:
        list(frames(reader, FrameQuery()))
        filed.bring_up_to_date()
        log = Path(f"{filed.index_path}-wal").read_bytes()
    assert log
    filed.index_path.write_bytes(b"noise" * 2000)
    Path(f"{filed.index_path}-wal").write_bytes(log)
    filed.write("NGC 7331", [make.light(number) for number in range(5)])
    assert filed.bring_up_to_date().set_aside is not None
    assert len(filed.frames()) == 5


def test_a_damaged_index_that_another_program_holds_is_let_be(
    filed: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def held(self: Path, target: Path) -> Path:
        raise PermissionError(13, "used by another process")

    filed.index_path.write_bytes(b"noise" * 2000)
    monkeypatch.setattr(Path, "replace", held)  # as Windows has it
    with pytest.raises(IndexBusy):
        filed.rebuild()
    assert filed.index_path.read_bytes() == b"noise" * 2000


def test_a_damaged_index_that_cannot_be_moved_says_so(filed: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    filed.index_path.write_bytes(b"noise" * 2000)
    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(IndexUnusable, match="could not be moved"):
        filed.rebuild()


# Together with others


def test_readers_go_on_with_the_old_index_and_then_see_the_new_one(filed: Any, make: Any) -> None:
    with filed.open() as reader:
        rows = frames(reader, FrameQuery())
        first = next(rows)
        filed.write("NGC 7331", [make.light(1)])
        filed.rebuild()
        assert len([first, *rows]) == 60
        assert len(list(frames(reader, FrameQuery()))) == 1


def test_a_new_index_waits_for_a_writer_no_longer_than_it_is_patient(filed: Any, make: Any) -> None:
    filed.write("NGC 7331", [make.light(1)])
    with filed.open(write=True) as other, other.writing():
        with pytest.raises(IndexBusy):
            rebuild(filed.folder, patience_s=0.01)
        with pytest.raises(IndexBusy):
            bring_up_to_date(filed.folder, patience_s=0.01)
    assert len(filed.frames()) == 60


@pytest.mark.skipif(os.name == "nt", reason="no limit to a file's size can be set there")
def test_a_new_index_that_finds_no_room_leaves_the_old_one(
    filed: Any, make: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    import resource

    patience = rebuilding._patience
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)

    def no_more_room(*given: Any) -> Any:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, limits[1]))
        return patience(*given)

    filed.write("NGC 7331", [make.light(1)])
    monkeypatch.setattr(rebuilding, "_patience", no_more_room)
    with pytest.raises(IndexUnusable):
        filed.rebuild()
    resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert len(filed.frames()) == 60
