"""The index beside an archive that changes: bags come, change, move, go and return."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from manifests.findings import Finding, FindingKind
from manifests.index.found_bags import bags_of
from manifests.index.frame_query import FrameQuery
from manifests.index.refreshing import Refreshed, refresh, update_bag

ENTRIES = "nightferry/entries.jsonl"
TAG_MANIFEST = "tagmanifest-sha256.txt"
HOUR_NS = 3600 * 10**9


def look(archive: Any) -> Refreshed:
    refreshed = archive.bring_up_to_date().refreshed
    assert isinstance(refreshed, Refreshed)
    return refreshed


def kinds(refreshed: Refreshed) -> list[tuple[FindingKind, str]]:
    return [(finding.kind, finding.path) for finding in refreshed.findings]


def ids(archive: Any) -> dict[str, int]:
    with archive.open() as index:
        return {row["path"]: row["id"] for row in index.rows("SELECT path, id FROM files")}


@pytest.fixture
def filed(archive: Any, make: Any) -> Any:
    archive.write("NGC 7331", [make.light(number) for number in (1, 2)])
    archive.write("nights/2026-03-14", [make.entry("data/weather.csv")])
    look(archive)
    return archive


def test_a_bag_copied_in_by_hand_is_picked_up(filed: Any, make: Any) -> None:
    shutil.copytree(filed.folder / "NGC 7331", filed.folder.parent / "elsewhere")
    filed.write("NGC 7331", [make.light(5)])
    look(filed)
    (filed.folder.parent / "elsewhere").rename(filed.folder / "of a friend")
    found = look(filed)
    assert (found.bags, found.read, found.files_added) == (3, ("of a friend",), 2)
    assert [row.bag for row in filed.frames()] == ["of a friend", "of a friend", "NGC 7331"]


def test_of_a_bag_that_changed_only_new_lines_come_and_lost_lines_go(filed: Any, make: Any) -> None:
    before = ids(filed)
    filed.write("NGC 7331", [make.light(2), make.light(3), make.light(4)])
    found = look(filed)
    assert (found.read, found.files_added, found.files_dropped) == (("NGC 7331",), 2, 1)
    after = ids(filed)
    stayed = before.keys() & after.keys()
    assert {path: before[path] for path in stayed} == {path: after[path] for path in stayed}
    assert make.light(2).path in stayed
    assert len(after) == 4


def test_an_entry_that_says_something_new_replaces_what_it_said(filed: Any, make: Any) -> None:
    sums = Finding(FindingKind.DATASUM_WRONG)
    filed.write("NGC 7331", [make.light(1), replace(make.light(2), findings=(sums,))])
    assert (look(filed).files_added, look(filed).files_added) == (1, 0)
    assert [row.findings for row in filed.frames()] == [(), (sums,)]
    filed.write("NGC 7331", [make.light(1), make.light(2)])
    look(filed)
    assert [row.findings for row in filed.frames(FrameQuery(any_finding=True))] == []


def test_what_is_gone_from_a_bag_leaves_nothing_behind(filed: Any, make: Any) -> None:
    sums = Finding(FindingKind.DATASUM_WRONG)
    filed.write("NGC 7331", [make.light(3, name="OIII", findings=(sums,))])
    look(filed)
    filed.write("NGC 7331", [make.light(4, "M 31")])
    look(filed)
    with filed.open() as index:
        left = [tuple(row) for row in index.rows("SELECT target, filter FROM series WHERE is_frame")]
        assert left == [("M 31", "Ha")]
        assert list(index.rows("SELECT * FROM findings")) == []


def test_a_bag_that_vanished_is_absent_and_not_dropped(filed: Any) -> None:
    (filed.folder / "NGC 7331").rename(filed.folder.parent / "elsewhere")
    assert look(filed).vanished == ("NGC 7331",)
    assert look(filed).vanished == ()
    assert [row.absent for row in filed.frames()] == [True, True]


def test_a_bag_that_returns_is_there_again_unread(filed: Any) -> None:
    (filed.folder / "NGC 7331").rename(filed.folder.parent / "elsewhere")
    look(filed)
    (filed.folder.parent / "elsewhere").rename(filed.folder / "NGC 7331")
    found = look(filed)
    assert (found.returned, found.read) == (("NGC 7331",), ())
    assert [row.absent for row in filed.frames()] == [False, False]


def test_a_bag_that_returns_changed_is_read(filed: Any, make: Any) -> None:
    shutil.rmtree(filed.folder / "NGC 7331")
    look(filed)
    filed.write("NGC 7331", [make.light(7)])
    found = look(filed)
    assert (found.returned, found.read) == (("NGC 7331",), ("NGC 7331",))
    assert [(row.absent, row.path) for row in filed.frames()] == [(False, make.light(7).path)]


@pytest.mark.parametrize("known_as_gone", [False, True])
def test_a_bag_under_another_path_is_the_same_bag(filed: Any, known_as_gone: bool) -> None:
    before = ids(filed)
    (filed.folder / "NGC 7331").rename(filed.folder.parent / "elsewhere")
    if known_as_gone:
        look(filed)
    (filed.folder / "galaxies").mkdir()
    (filed.folder.parent / "elsewhere").rename(filed.folder / "galaxies/NGC 7331")
    found = look(filed)
    assert found.moved == (("NGC 7331", "galaxies/NGC 7331"),)
    assert (found.read, found.vanished, found.returned) == ((), (), ())
    assert ids(filed) == before
    assert {(row.bag, row.absent) for row in filed.frames()} == {("galaxies/NGC 7331", False)}


def test_two_bags_that_changed_places_are_told_apart(filed: Any, make: Any) -> None:
    filed.write("M 31", [make.light(9, "M 31")])
    look(filed)
    for old, new in (("NGC 7331", "x"), ("M 31", "NGC 7331"), ("x", "M 31")):
        (filed.folder / old).rename(filed.folder / new)
    look(filed)
    assert sorted({(row.bag, row.target) for row in filed.frames()}) == [
        ("M 31", "NGC 7331"),
        ("NGC 7331", "M 31"),
    ]


def test_a_bag_of_thousands_is_stored_to_the_last(archive: Any, make: Any) -> None:
    sums = Finding(FindingKind.DATASUM_WRONG)
    lights = [make.light(number) for number in range(2003)]
    archive.write("NGC 7331", [*lights[:-1], replace(lights[-1], findings=(sums,))])
    assert look(archive).files_added == 2003
    assert [row.path for row in archive.frames(FrameQuery(any_finding=True))] == [lights[-1].path]


# What is not read


def age(folder: Path) -> None:
    """Make a bag's tag manifest an hour old."""
    then = time.time_ns() - HOUR_NS
    os.utime(folder / TAG_MANIFEST, ns=(then, then))


def test_a_bag_whose_tag_manifest_is_the_same_is_not_read(filed: Any) -> None:
    (filed.folder / "NGC 7331" / ENTRIES).write_bytes(b"nonsense\n")
    assert look(filed) == Refreshed(bags=2)


def test_a_tag_manifest_that_is_old_and_looks_the_same_is_not_even_opened(filed: Any) -> None:
    tag_manifest = filed.folder / "NGC 7331" / TAG_MANIFEST
    age(tag_manifest.parent)
    look(filed)
    stamp = tag_manifest.stat()
    with tag_manifest.open("r+b") as file:
        file.write(b"0" * 64)
    os.utime(tag_manifest, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert look(filed).read == ()
    age(tag_manifest.parent)
    assert look(filed).read == ("NGC 7331",)


def test_a_tag_manifest_that_may_be_written_again_within_its_clocks_step_is_looked_into(filed: Any) -> None:
    tag_manifest = filed.folder / "NGC 7331" / TAG_MANIFEST
    stamp = tag_manifest.stat()
    with tag_manifest.open("r+b") as file:
        file.write(b"0" * 64)
    os.utime(tag_manifest, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert look(filed).read == ("NGC 7331",)


# What is wrong with bags


def append(folder: Path, *lines: bytes) -> None:
    with (folder / ENTRIES).open("ab") as file:
        file.writelines(lines)


def write_torn(archive: Any, make: Any, name: str = "torn") -> Path:
    folder = archive.write(name, [make.light(3), make.light(4)])
    first, second = (folder / ENTRIES).read_bytes().splitlines(keepends=True)
    (folder / ENTRIES).write_bytes(first + second[:100] + b"\n" + first[:-2] + b"\n")
    return Path(folder)


def test_a_line_that_is_no_entry_is_a_finding_and_the_rest_is_taken(filed: Any, make: Any) -> None:
    write_torn(filed, make)
    found = look(filed)
    assert kinds(found) == [
        (FindingKind.CHANGED, f"torn/{ENTRIES}"),
        (FindingKind.MALFORMED, f"torn/{ENTRIES}"),
        (FindingKind.MALFORMED, f"torn/{ENTRIES}"),
    ]
    assert found.findings[1].detail.startswith("line 2: not an entry")
    assert len(filed.frames()) == 3


def test_a_bag_with_something_wrong_is_read_again_until_it_is_mended(filed: Any, make: Any) -> None:
    folder = write_torn(filed, make)
    first, second = look(filed), look(filed)
    assert first.read == second.read == ("torn",)
    assert first.findings == second.findings
    tag_manifest = (folder / TAG_MANIFEST).read_bytes()
    filed.write("torn", [make.light(3), make.light(4)])
    assert (folder / TAG_MANIFEST).read_bytes() == tag_manifest
    mended = look(filed)
    assert (mended.findings, mended.read, mended.files_added) == ((), ("torn",), 1)
    assert look(filed).read == ()


def test_a_list_that_is_missing_though_it_is_listed_is_a_finding(filed: Any) -> None:
    (filed.folder / "NGC 7331" / ENTRIES).unlink()
    age(filed.folder / "NGC 7331")
    append_to = filed.folder / "NGC 7331" / TAG_MANIFEST
    append_to.write_bytes(append_to.read_bytes() + b"\n")
    assert kinds(look(filed)) == [(FindingKind.MISSING, f"NGC 7331/{ENTRIES}")]


def test_a_list_that_is_not_what_the_tag_manifest_says_is_a_finding(filed: Any, make: Any) -> None:
    folder = filed.write("M 31", [make.light(1, "M 31")])
    append(folder, (filed.folder / "NGC 7331" / ENTRIES).read_bytes())
    assert kinds(look(filed)) == [(FindingKind.CHANGED, f"M 31/{ENTRIES}")]


def test_a_path_that_is_listed_again_is_a_finding_and_the_first_stays(filed: Any, make: Any) -> None:
    other = replace(make.light(1), size_bytes=1)
    filed.write("twice", [make.light(1), make.light(1), other])
    found = look(filed)
    assert kinds(found) == [(FindingKind.MALFORMED, f"twice/{ENTRIES}")] * 2
    assert [row.size_bytes for row in filed.frames() if row.bag == "twice"] == [make.light(1).size_bytes]


def test_a_bag_of_anybodys_without_entries_is_no_finding(filed: Any) -> None:
    folder = filed.folder / "foreign"
    (folder / "data").mkdir(parents=True)
    (folder / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    (folder / "manifest-sha512.txt").write_text("")
    found = look(filed)
    assert (found.bags, found.findings, found.files_added) == (3, (), 0)


def test_a_list_with_a_million_bad_lines_becomes_some_findings_and_no_more(filed: Any, make: Any) -> None:
    folder = filed.write("bad", [])
    append(folder, b"x\n" * 20_000)
    assert 1000 < len(look(filed).findings) < 1010


@pytest.fixture
def unreadable() -> Callable[[Path], Any]:
    """Return what makes a path unreadable for as long as a block lasts, for root, too."""
    if os.name == "nt":
        pytest.skip("permissions of files bind nobody there")

    @contextmanager
    def without_permission(path: Path) -> Iterator[None]:
        for folder in path.parents:
            if folder.stat().st_uid == os.geteuid() and folder != Path("/"):
                folder.chmod(folder.stat().st_mode | 0o055)
        mode = path.stat().st_mode
        path.chmod(0)
        privileged = os.geteuid() == 0
        if privileged:
            os.seteuid(65534)
        yield
        if privileged:
            os.seteuid(0)
        path.chmod(mode)

    return without_permission


def refreshed_beside(archive: Any, unreadable: Any, path: Path) -> Refreshed:
    with archive.open(write=True) as index, unreadable(path):
        return refresh(index, bags_of(archive.folder))


def test_bags_in_a_folder_that_cannot_be_looked_into_are_not_called_absent(
    filed: Any, unreadable: Any
) -> None:
    found = refreshed_beside(filed, unreadable, filed.folder / "nights")
    assert kinds(found) == [(FindingKind.UNREADABLE, "nights")]
    assert found.vanished == ()


def test_a_bag_whose_list_cannot_be_read_keeps_its_rows(filed: Any, make: Any, unreadable: Any) -> None:
    filed.write("NGC 7331", [make.light(5)])
    found = refreshed_beside(filed, unreadable, filed.folder / "NGC 7331" / ENTRIES)
    assert kinds(found) == [(FindingKind.UNREADABLE, f"NGC 7331/{ENTRIES}")]
    assert len(filed.frames()) == 2
    look(filed)
    assert [row.path for row in filed.frames()] == [make.light(5).path]


def test_a_bag_whose_tag_manifest_cannot_be_read_keeps_its_rows(filed: Any, unreadable: Any) -> None:
    found = refreshed_beside(filed, unreadable, filed.folder / "NGC 7331" / TAG_MANIFEST)
    assert kinds(found) == [(FindingKind.UNREADABLE, "NGC 7331")]
    assert [row.absent for row in filed.frames()] == [False, False]


def test_a_bag_whose_name_is_not_unicode_is_a_finding(filed: Any) -> None:
    try:
        name = os.fsdecode(b"NGC \xff")
        (filed.folder / "NGC 7331").rename(filed.folder / name)
    except (OSError, UnicodeError):
        pytest.skip("no such name can be on this system")
    found = look(filed)
    assert kinds(found) == [(FindingKind.UNREADABLE, name)]
    assert found.bags == 1


# One bag


def test_one_bag_is_brought_up_to_date_by_itself(filed: Any, make: Any) -> None:
    filed.write("NGC 7331", [make.light(1), make.light(2), make.light(3)])
    filed.write("M 31", [make.light(1, "M 31")])
    with filed.open(write=True) as index:
        stored = update_bag(index, filed.folder, filed.folder / "NGC 7331")
    assert (stored.files, stored.added, stored.dropped, stored.findings) == (3, 1, 0, ())
    assert len(filed.frames()) == 3
    assert look(filed).read == ("M 31",)


def test_a_folder_outside_the_archive_is_refused(filed: Any, tmp_path: Path) -> None:
    with filed.open(write=True) as index, pytest.raises(ValueError, match="subpath"):
        update_bag(index, filed.folder, tmp_path / "elsewhere")


def test_an_archive_that_is_itself_a_bag_is_one(archive: Any, make: Any) -> None:
    archive.write(".", [make.light(1)])
    assert look(archive).read == (".",)
    assert [row.bag for row in archive.frames()] == ["."]


def test_the_bag_around_an_archive_without_any_is_not_the_archives(archive: Any, make: Any) -> None:
    archive.write("..", [make.light(1)])
    assert look(archive).bags == 0


# Whatever happens, it is what a new index would say

NAMES = ("a", "b", "c/d")
ACTS = st.lists(
    st.tuples(
        st.sampled_from(NAMES),
        st.sampled_from(("write", "write", "tear", "remove", "move", "double")),
        st.lists(st.integers(0, 5), max_size=4, unique=True),
    ),
    min_size=1,
    max_size=4,
)


def act(archive: Any, make: Any, name: str, what: str, numbers: list[int]) -> None:
    folder = archive.folder / name
    sums = Finding(FindingKind.DATASUM_WRONG)
    entries = [
        make.light(number, name="Ha" if number % 2 else "OIII", findings=(sums,) if number > 3 else ())
        for number in numbers
    ]
    if what == "write":
        archive.write(name, entries)
    elif what == "double":
        archive.write(name, [*entries, *(replace(entry, size_bytes=7) for entry in entries[:1]), *entries])
    elif not folder.exists():
        return
    elif what == "tear":
        content = (folder / ENTRIES).read_bytes()
        (folder / ENTRIES).write_bytes(content[: len(content) // 2])
        # Whoever changes a list without its tag manifest is not noticed; this one changes both.
        append_to = folder / TAG_MANIFEST
        append_to.write_bytes(append_to.read_bytes() + b"\n")
    elif what == "remove":
        shutil.rmtree(folder)
    else:
        new = archive.folder / f"moved {len(list(archive.folder.iterdir()))}"
        folder.rename(new)


@settings(max_examples=15)
@given(acts=ACTS)
def test_looking_again_after_each_change_comes_to_what_a_new_index_says(
    new_archive: Any, make: Any, acts: list[tuple[str, str, list[int]]]
) -> None:
    archive = new_archive()
    for name, what, numbers in acts:
        act(archive, make, name, what, numbers)
        archive.bring_up_to_date()
    step_by_step = archive.dump()
    archive.rebuild()
    assert archive.dump() == step_by_step
