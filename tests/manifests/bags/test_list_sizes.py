"""What may be read of a bag's lists: all that its files explain, and never without end."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from manifests.bags.bag import read_bag
from manifests.bags.entries import EntryError, read_entries
from manifests.bags.list_sizes import (
    ANYWAY_BYTES,
    BYTES_PER_FILE,
    LINE_COSTS_BYTES,
    Allowance,
    ListTooLarge,
    bounded_lines,
    files_in,
    is_list,
    may_be_a_list_of,
)
from manifests.bags.verify import verify
from tests.support.systems import need_links


def no_files() -> int:
    return 0


def test_files_are_not_counted_before_it_matters() -> None:
    counted: list[int] = []

    def count() -> int:
        counted.append(1)
        return 1

    allowance = Allowance(count)
    assert allowance.takes(ANYWAY_BYTES - LINE_COSTS_BYTES)
    assert counted == []
    assert allowance.takes(BYTES_PER_FILE - LINE_COSTS_BYTES)
    assert not allowance.takes(0)
    assert not allowance.takes(0)
    assert counted == [1]


def test_a_short_line_is_not_a_cheap_one() -> None:
    lines = io.BytesIO(b"\n" * (ANYWAY_BYTES // LINE_COSTS_BYTES))
    with pytest.raises(ListTooLarge):
        list(bounded_lines(lines, Allowance(no_files)))


def test_entries_that_no_file_explains_are_no_list() -> None:
    lines = bounded_lines(io.BytesIO(b"\0" * (ANYWAY_BYTES + 1)), Allowance(no_files))
    with pytest.raises(EntryError, match="not an entry"):
        list(read_entries(lines))
    spent = Allowance(no_files)
    spent.takes(ANYWAY_BYTES)
    with pytest.raises(EntryError, match="line 1: holds more than the files of its bag explain"):
        list(read_entries(bounded_lines(io.BytesIO(b"{}\n"), spent)))


def test_all_lists_of_a_bag_share_one_allowance(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    line = f"{'0' * 2000}  data/{{}}\n"
    each = ANYWAY_BYTES // 2 // (len(line) + LINE_COSTS_BYTES) + 10
    for name in ("one", "two", "three"):
        text = "".join(line.format(f"{number:06}") for number in range(each))
        (tmp_path / f"manifest-{name}.txt").write_text(text)
    bag = read_bag(tmp_path)
    too_large = [one.path for one in bag.malformed if "more than the files" in one.reason]
    assert too_large == ["manifest-three.txt", "manifest-two.txt"]
    assert sum(len(manifest.digests) for manifest in bag.manifests) < 2 * each


def test_a_manifest_without_end_is_no_fault_of_the_tag_manifest(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    with (tmp_path / "manifest-sha256.txt").open("wb") as file:
        file.truncate(1 << 40)
    (tmp_path / "tagmanifest-sha256.txt").write_text(f"{'0' * 64}  manifest-sha256.txt\n")
    assert {one.path for one in read_bag(tmp_path).malformed} == {"manifest-sha256.txt"}


def test_a_list_of_many_files_that_are_there_is_read_whole(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    for number in range(20):
        (tmp_path / f"data/{number}").touch()
    allowance = Allowance(lambda: files_in(tmp_path))
    assert allowance.takes(ANYWAY_BYTES)
    assert all(allowance.takes(BYTES_PER_FILE - LINE_COSTS_BYTES) for _ in range(19))
    assert not allowance.takes(BYTES_PER_FILE)


@need_links
def test_files_below_links_are_not_counted(tmp_path: Path) -> None:
    (tmp_path / "data/deep/er").mkdir(parents=True)
    (tmp_path / "data/deep/er/one").touch()
    (tmp_path / "data/loop").symlink_to(tmp_path)
    assert files_in(tmp_path) == 2
    assert files_in(tmp_path / "nowhere") == 0


@pytest.mark.parametrize(
    ("path", "is_one"),
    [
        ("bagit.txt", True),
        ("manifest-md5.txt", True),
        ("tagmanifest-sha512.txt", True),
        ("nightferry/entries.jsonl", True),
        ("nightferry/acknowledgement-0e1c7b52-7dcb-4bfa-8a7f-1f0d6f2a9e11.json", True),
        ("dpn-tags/huge.tiff", False),
        ("data/bagit.txt", False),
    ],
)
def test_only_a_list_is_bounded_by_the_files_of_its_bag(path: str, is_one: bool) -> None:
    assert is_list(path) == is_one
    assert may_be_a_list_of(ANYWAY_BYTES + BYTES_PER_FILE, 1)
    assert not may_be_a_list_of(ANYWAY_BYTES + BYTES_PER_FILE + 1, 1)


def test_a_list_that_is_listed_and_far_too_large_is_malformed_and_not_digested(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "nightferry").mkdir()
    (tmp_path / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    (tmp_path / "manifest-sha256.txt").touch()
    with (tmp_path / "nightferry/entries.jsonl").open("wb") as file:
        file.truncate(1 << 40)
    digests = {"manifest-sha256.txt": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"}
    lines = [f"{digests.get(name, '0' * 64)}  {name}\n" for name in (*digests, "nightferry/entries.jsonl")]
    (tmp_path / "tagmanifest-sha256.txt").write_text("".join(lines))
    found = verify(read_bag(tmp_path))
    assert [(one.path, one.kind.value) for one in found.findings if "bytes, more than" in one.detail] == [
        ("nightferry/entries.jsonl", "malformed")
    ]
