"""The list of bags, and where a content lies."""

from __future__ import annotations

from typing import Any

from manifests.findings import FindingKind
from manifests.frames.frame import FrameType
from manifests.index.holdings import Holding, bags, holdings


def test_bags_say_what_they_have_and_whether_they_are_there(archive: Any, make: Any) -> None:
    archive.write("calibration", [make.calibration(1, FrameType.BIAS, 0.0)])
    archive.write("NGC 7331", [make.light(1), make.light(2), make.entry("data/notes.txt")])
    archive.write("empty", [])
    archive.bring_up_to_date()
    (archive.folder / "calibration").rename(archive.folder.parent / "elsewhere")
    archive.bring_up_to_date()
    with archive.open() as index:
        rows = [(row.path, row.absent, row.frames, row.files, row.findings) for row in bags(index)]
    assert rows == [
        ("NGC 7331", False, 2, 3, ()),
        ("calibration", True, 1, 1, ()),
        ("empty", False, 0, 0, ()),
    ]


def test_what_is_wrong_with_a_bags_list_is_with_the_bag(archive: Any, make: Any) -> None:
    folder = archive.write("NGC 7331", [make.light(1)])
    with (folder / "nightferry/entries.jsonl").open("ab") as file:
        file.write(b"and more\n")
    archive.bring_up_to_date()
    with archive.open() as index:
        (row,) = bags(index)
    assert [(one.kind, one.path) for one in row.findings] == [
        (FindingKind.CHANGED, "nightferry/entries.jsonl"),
        (FindingKind.MALFORMED, "nightferry/entries.jsonl"),
    ]


def test_a_content_is_found_wherever_it_lies(archive: Any, make: Any) -> None:
    light = make.light(1)
    archive.write("NGC 7331", [light])
    archive.write("copy", [make.entry("data/other name.fits", digests=light.digests), make.light(2)])
    archive.bring_up_to_date()
    with archive.open() as index:
        assert holdings(index, light.digests.sha256) == (
            Holding("NGC 7331", light.path, absent=False),
            Holding("copy", "data/other name.fits", absent=False),
        )
        assert holdings(index, "0" * 64) == ()
