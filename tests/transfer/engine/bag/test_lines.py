"""Files of lines below a pinned folder."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from manifests.bags.list_sizes import ANYWAY_BYTES, BYTES_PER_FILE, ListTooLarge
from transfer.engine.bag.lines import read_lines
from transfer.engine.medium import this_computer


def test_a_close_that_fails_is_nothing_to_a_file_that_was_only_read(tmp_path: Path):
    (tmp_path / "lines").write_bytes(b"one\ntwo\n")
    folder = this_computer().pin(tmp_path)
    opened = folder.open_file("lines")
    os.close(opened)
    lines = read_lines(folder, "lines")
    assert next(lines) == b"one\n"
    os.close(opened)  # the lowest number that was free: the lines' own
    lines.close()  # type: ignore[attr-defined]
    folder.close()


@pytest.mark.parametrize("path", ["night/nightferry/entries.jsonl", "night/manifest-sha256.txt"])
def test_a_list_may_be_as_large_as_the_files_of_its_bag_explain(tmp_path: Path, path: str) -> None:
    list_ = tmp_path / path
    list_.parent.mkdir(parents=True)
    size_bytes = ANYWAY_BYTES + 3 * BYTES_PER_FILE
    list_.write_bytes(b"\0" * size_bytes)
    (tmp_path / "other").touch()
    folder = this_computer().pin(tmp_path)
    with pytest.raises(ListTooLarge):
        list(read_lines(folder, path))
    (tmp_path / "night/data/deep").mkdir(parents=True)
    for number in range(10):
        (tmp_path / f"night/data/deep/{number}").touch()
    assert sum(map(len, read_lines(folder, path))) == size_bytes
    folder.close()
