"""What the archive has already, asked of its index."""

from __future__ import annotations

from pathlib import Path

import pytest

from manifests.findings import FindingKind
from tests.support.systems import need_renames
from transfer.archive.contents import brought_up_to_date, holdings_of
from transfer.engine.medium import PinnedFolder, this_computer


@pytest.fixture
def left(tmp_path: Path):
    """Return an archive's folder, pinned, that has left: another of its name stands in its place."""
    root = tmp_path / "archive"
    root.mkdir()
    folder = this_computer().pin(root)
    root.rename(tmp_path / "elsewhere")
    root.mkdir()
    yield folder
    folder.close()


@need_renames
def test_no_index_is_written_where_an_archive_was(left: PinnedFolder):
    (finding,) = brought_up_to_date(left, on_network=False)
    assert (finding.kind, finding.detail) == (FindingKind.INDEX_BEHIND, "the archive left")
    assert list(left.path.iterdir()) == []


@need_renames
def test_filing_goes_on_without_the_index_of_an_archive_that_left(left: PinnedFolder):
    with holdings_of(left, may_write=True) as holdings:
        assert holdings.of(["0" * 64]) == {}
    assert FindingKind.INDEX_BEHIND in [finding.kind for finding in holdings.findings]
    assert list(left.path.iterdir()) == []
