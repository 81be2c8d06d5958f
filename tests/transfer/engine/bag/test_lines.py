"""Files of lines below a pinned folder."""

from __future__ import annotations

import os
from pathlib import Path

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
