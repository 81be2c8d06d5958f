"""What `--json` says of a run."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from tests.support.small_archive import SmallArchive
from transfer.jobs.gather.outcome import GatherOutcome
from transfer.jobs.gather.request import Means

Gather = Callable[..., GatherOutcome]


def test_the_document_has_every_match_what_is_missing_and_where_each_frame_lies(
    archive: SmallArchive, folder: Path, gather: Gather
) -> None:
    archive.calibration("Dark", "dark.fits")
    archive.light("light.fits")
    outcome = gather(means=Means.COPY)
    told = json.loads(json.dumps(outcome.as_json()))
    assert told["laid_out"] == [
        {
            "path": "lights/M 33/Ha/2026-03-14/light.fits",
            "from": "M 33/data/2026-03-14/Ha/light.fits",
            "type": "light",
            "stage": "raw",
            "how": "copy",
        },
        {
            "path": "darks/300s gain 100 -10C/dark.fits",
            "from": "calibration/data/Lantern 26/dark/2026-03-14/dark.fits",
            "type": "dark",
            "stage": "raw",
            "how": "copy",
        },
    ]
    assert [(row["kind"], row["folders"]) for row in told["matches"]] == [
        ("dark", ["darks/300s gain 100 -10C"]),
        ("bias", []),  # the darks stand in
    ]
    assert [row["why"] for row in told["missing"]] == [
        "no flat for Ha, telescope Long Tom; there are no flats"
    ]
    assert {name: told[name] for name in ("command", "exit", "target", "targets", "folder", "hours")} == {
        "command": "gather",
        "exit": 1,
        "target": "M 33",
        "targets": ["M 33"],
        "folder": str(folder),
        "hours": 0.0833,
    }
    assert told["tables"] == ["M 33 matches.csv", "M 33 matches.txt"]
    assert told["read_back"] in ("medium", "perhaps memory")


def test_the_message_counts_what_is_wrong(archive: SmallArchive, gather: Gather) -> None:
    archive.whole_set()
    archive.light("a.fits")
    archive.light("b.fits").unlink()
    assert gather().message.endswith("/run; 1 finding to look at.")
    archive.light("c.fits", EXPTIME=0.0, GAIN=-5)
    assert gather().message.endswith("; 2 needs are not met and 1 finding to look at.")


def test_an_exposure_that_cannot_be_counts_no_hours(archive: SmallArchive, gather: Gather) -> None:
    archive.light("a.fits", EXPTIME=-300.0)
    archive.light("b.fits", EXPTIME=3600.0)
    assert gather().hours == 1.0
