"""An archive opened for questions: its index may be missing, damaged, too new, out of date, or read-only."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

import pytest

from manifests.findings import FindingKind
from manifests.index.frame_query import FrameQuery
from manifests.index.opening import open_index
from manifests.index.schema import INDEX_NAME
from manifests.index.targets import TargetRow, targets
from tests.support.archives import light, write_bag
from transfer.archive.notes import BagsChanged, Building, Built, ForThisRunOnly, Note, NotUpToDate
from transfer.archive.questions import browsed
from transfer.errors import ExitCode, NightferryError, NotThere

BY_TARGET = {"M 51": 7, "NGC 4565": 3}


def frames_by_target(root: Path, told: list[Note]) -> dict[str | None, int]:
    return {row.target: row.frames for row in found(root, told)}


def found(root: Path, told: list[Note]) -> list[TargetRow]:
    with browsed(root, told.append) as archive:
        return archive.ask(lambda index: list(targets(index)))


def kinds(told: list[Note]) -> list[type]:
    return [type(note) for note in told]


def damage_pages(path: Path) -> None:
    """Spoil what lies behind the first page, which is all that opening an index reads."""
    content = bytearray(path.read_bytes())
    for at in range(4096, len(content)):
        content[at] ^= 0x5A
    path.write_bytes(content)


def test_an_archive_without_an_index_gets_one_and_says_so(root: Path, told: list[Note]) -> None:
    assert frames_by_target(root, told) == BY_TARGET
    assert kinds(told) == [Building, Built]
    assert (root / INDEX_NAME).is_file()


def test_an_index_that_is_up_to_date_is_only_read(root: Path, told: list[Note]) -> None:
    make_old(root)
    found(root, [])
    before = (root / INDEX_NAME).stat()
    assert frames_by_target(root, told) == BY_TARGET
    after = (root / INDEX_NAME).stat()
    assert (told, before.st_mtime_ns, before.st_ino) == ([], after.st_mtime_ns, after.st_ino)


def make_old(root: Path) -> None:
    """Make the bags so old that the index trusts their times."""
    for manifest in root.rglob("tagmanifest-sha256.txt"):
        os.utime(manifest, (1e9, 1e9))


def test_a_bag_copied_in_by_hand_is_picked_up(root: Path, told: list[Note]) -> None:
    make_old(root)
    found(root, [])
    write_bag(root / "M 33", [light(20, "M 33")])
    assert frames_by_target(root, told) == BY_TARGET | {"M 33": 1}
    (note,) = told
    assert isinstance(note, BagsChanged)
    assert note.refreshed.read == ("M 33",)


def test_a_bag_that_changed_in_its_place_is_read_again(root: Path, told: list[Note]) -> None:
    make_old(root)
    found(root, [])
    write_bag(root / "NGC 4565", [light(20, "NGC 4565")])
    assert frames_by_target(root, told) == {"M 51": 7, "NGC 4565": 1}


def test_a_bag_that_vanished_is_absent_and_not_dropped(root: Path, told: list[Note]) -> None:
    make_old(root)
    found(root, [])
    shutil.rmtree(root / "M 51")
    by_target = {row.target: row for row in found(root, told)}
    assert (by_target["M 51"].frames, by_target["M 51"].absent_frames) == (7, 7)
    assert kinds(told) == [BagsChanged]
    assert found(root, told)
    assert kinds(told) == [BagsChanged]


def test_a_bag_that_came_back_is_there_again(root: Path, told: list[Note]) -> None:
    make_old(root)
    found(root, [])
    (root / "M 51").rename(root.parent / "elsewhere")
    found(root, [])
    (root.parent / "elsewhere").rename(root / "M 51")
    assert [row.absent_frames for row in found(root, told)] == [0, 0]
    assert kinds(told) == [BagsChanged]


@pytest.mark.parametrize("content", [b"not an index", bytes(5000), b"SQLite format 3\0" + b"\xff" * 4080])
def test_a_damaged_index_is_built_again_and_kept_aside(root: Path, told: list[Note], content: bytes) -> None:
    (root / INDEX_NAME).write_bytes(content)
    assert frames_by_target(root, told) == BY_TARGET
    building, built = told
    assert isinstance(building, Building)
    assert isinstance(built, Built)
    assert building.damage
    assert built.report.set_aside is not None
    assert built.report.set_aside.path.read_bytes() == content


def test_damage_that_only_a_question_meets_is_mended_before_the_answer(root: Path, told: list[Note]) -> None:
    make_old(root)
    found(root, [])
    damage_pages(root / INDEX_NAME)
    assert frames_by_target(root, told) == BY_TARGET
    assert kinds(told) == [Building, Built]


def test_damage_that_only_a_list_of_frames_meets_is_mended_too(root: Path, told: list[Note]) -> None:
    make_old(root)
    found(root, [])
    with browsed(root, told.append) as archive:
        damage_pages(root / INDEX_NAME)
        assert len(list(archive.frames(FrameQuery()))) == 14
    assert kinds(told) == [Building, Built]


def test_damage_that_shows_after_the_first_frame_ends_the_list_and_is_mended(
    root: Path, told: list[Note]
) -> None:
    write_bag(root / "M 51", [light(number) for number in range(1000)])
    make_old(root)
    found(root, [])
    with browsed(root, told.append) as archive:
        rows = archive.frames(FrameQuery(limit=900))
        next(rows)
        damage_pages(root / INDEX_NAME)
        archive.index.connection.execute("PRAGMA cache_size = 0")
        with pytest.raises(NightferryError, match="not all") as ended:
            list(rows)
    assert ended.value.exit_code is ExitCode.SOMETHING_UNPROVEN
    with browsed(root) as archive:
        assert len(list(archive.frames(FrameQuery()))) == 1007


def test_an_index_of_a_newer_version_is_refused_and_not_touched(root: Path, told: list[Note]) -> None:
    found(root, [])
    with sqlite3.connect(root / INDEX_NAME) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    before = (root / INDEX_NAME).read_bytes()
    with pytest.raises(NightferryError, match="version 99") as refused:
        found(root, told)
    assert refused.value.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert (told, (root / INDEX_NAME).read_bytes()) == ([], before)
    assert sorted(path.name for path in root.iterdir()) == [
        "M 51",
        "NGC 4565",
        "calibration",
        INDEX_NAME,
        "nights",
    ]


@pytest.mark.parametrize("place", ["nowhere", "archive/M 51/bagit.txt"])
def test_an_archive_that_is_not_there_is_told(root: Path, place: str) -> None:
    with pytest.raises(NotThere), browsed(root.parent / place):
        pass


def test_a_folder_that_is_no_archive_gets_no_index(root: Path) -> None:
    other = root.parent / "other"
    (other / "photographs").mkdir(parents=True)
    for folder in (other, root / "M 51"):
        with pytest.raises(NotThere, match="no archive"), browsed(folder):
            pass
        assert not (folder / INDEX_NAME).exists()


def test_an_archive_that_was_only_begun_is_an_empty_one(tmp_path: Path, told: list[Note]) -> None:
    (tmp_path / "nightferry-archive.toml").write_text("", encoding="utf-8")
    assert found(tmp_path, told) == []


def test_what_is_wrong_with_a_bag_is_told_beside_the_answer(root: Path, told: list[Note]) -> None:
    entries = root / "M 51" / "nightferry" / "entries.jsonl"
    entries.write_bytes(entries.read_bytes() + b"{}\n")
    with browsed(root, told.append) as archive:
        assert {finding.kind for finding in archive.findings} == {FindingKind.CHANGED, FindingKind.MALFORMED}
        assert all(finding.path.startswith("M 51/") for finding in archive.findings)


def test_another_program_at_work_on_the_index_leaves_what_it_said(
    root: Path, told: list[Note], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("transfer.archive.questions._PATIENCE_S", 0.0)
    found(root, [])
    write_bag(root / "M 33", [light(20, "M 33")])
    with open_index(root / INDEX_NAME, write=True) as index, index.writing():
        assert frames_by_target(root, told) == BY_TARGET
    assert kinds(told) == [NotUpToDate]


def test_an_archive_that_cannot_be_written_to_is_asked_all_the_same(
    read_only: Path, told: list[Note]
) -> None:
    assert frames_by_target(read_only, told) == BY_TARGET
    assert kinds(told) == [Building, ForThisRunOnly]
    assert not (read_only / INDEX_NAME).exists()


def test_bags_that_changed_are_seen_where_the_index_cannot_be_written(
    root: Path, told: list[Note], request: pytest.FixtureRequest
) -> None:
    found(root, [])
    shutil.rmtree(root / "M 51")
    write_bag(root / "M 33", [light(20, "M 33")])
    (root / INDEX_NAME).chmod(0o444)
    read_only: Path = request.getfixturevalue("read_only")
    by_target = {row.target: (row.frames, row.absent_frames) for row in found(read_only, told)}
    assert by_target == {"M 33": (1, 0), "M 51": (7, 7), "NGC 4565": (3, 0)}
    assert kinds(told) == [ForThisRunOnly, BagsChanged]
