"""The mark of an archive, and what the archive is called."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from transfer.archive.mark import MARK_NAME, ArchiveIdentity, identity_of, mark_text, new_mark


def test_an_archive_is_called_what_its_mark_says(tmp_path: Path) -> None:
    mark = new_mark("The big disk", datetime(2026, 3, 14, tzinfo=UTC))
    (tmp_path / MARK_NAME).write_text(mark_text(mark), encoding="utf-8")
    assert identity_of(tmp_path) == ArchiveIdentity("The big disk", mark.id)


@pytest.mark.parametrize("content", [None, b"", b"id = 7", b"\xff\xfe"])
def test_without_a_mark_it_is_called_as_its_folder_is(tmp_path: Path, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / MARK_NAME).write_bytes(content)
    assert identity_of(tmp_path) == ArchiveIdentity(tmp_path.name, "")
