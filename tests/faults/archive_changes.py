"""Files of the archive changed by other programs, and an index that lies, before a night is filed again."""

from __future__ import annotations

import os
import random
import sqlite3
from collections.abc import Callable
from pathlib import Path

from tests.faults.archive_jobs import Desk, new_stick, send_to
from tests.faults.archive_judge import (
    archive_bags,
    delivered,
    require_answered,
    require_archive_complete,
    require_archive_true,
    require_drive_kept,
    require_file_truth,
    words_on,
)
from tests.faults.jobs import flip_bit
from tests.faults.judge import MARK as DRIVE_MARK
from tests.faults.judge import fingerprint, require, require_ended
from tests.faults.scene import Scene
from tests.faults.trials import Fault, Trial, drive_scene, telling

_ON = ("exfat", "ext4")
_INDEX = "index.sqlite"


def _bit(path: Path, dice: random.Random) -> None:
    flip_bit(path, dice.randrange(path.stat().st_size), dice.randrange(8))


def _other_content(path: Path, dice: random.Random) -> None:
    """Put another file of the same size in its place."""
    other = path.with_name("other.tmp")
    other.write_bytes(dice.randbytes(path.stat().st_size))
    other.replace(path)


def _cut(path: Path, dice: random.Random) -> None:
    os.truncate(path, dice.randrange(1, path.stat().st_size))


def _longer(path: Path, dice: random.Random) -> None:
    with path.open("ab") as file:
        file.write(dice.randbytes(dice.randrange(1, 5000)))


def _removed(path: Path, _: random.Random) -> None:
    path.unlink()


_CHANGES: tuple[Callable[[Path, random.Random], None], ...] = (_bit, _other_content, _cut, _longer, _removed)


def _lie(archive: Path, dice: random.Random) -> None:
    """Have the index say of a file that it has another one's content."""
    with sqlite3.connect(archive / _INDEX) as index:
        rows = [row[0] for row in index.execute("SELECT rowid FROM files ORDER BY rowid")]
        one, other = dice.sample(rows, 2)
        (sha256,) = index.execute("SELECT sha256 FROM files WHERE rowid = ?", (one,)).fetchone()
        index.execute("UPDATE files SET sha256 = ? WHERE rowid = ?", (sha256, other))


def _payload(archive: Path) -> list[Path]:
    files = (path for bag in archive_bags(archive) for path in sorted((bag / "data").rglob("*")))
    return [path for path in files if path.is_file() and path.stat().st_size > 1]


def try_archive_changed(trial: Trial) -> None:
    """File a night, change some of its files in the archive, file it again: all is found and made good."""
    dice = trial.dice
    with drive_scene(trial) as (scene, _):
        archive = scene.drive
        (archive / DRIVE_MARK).unlink()
        desk, stick = Desk(scene), new_stick(scene)
        scene.begin_session()
        send_to(scene, stick)
        require_ended(scene.run(*desk.file_words(stick)), "the first filing", 0)
        changed = {path: dice.choice(_CHANGES) for path in dice.sample(_payload(archive), dice.randint(1, 3))}
        lies = dice.random() < 0.5
        for path, change in changed.items():
            change(path, dice)
        if lies:
            _lie(archive, dice)
        done = [f"{change.__name__} {path.relative_to(archive)}" for path, change in changed.items()]
        with telling(f"{', '.join(done)}{', the index lies' if lies else ''}"):
            _require_made_good(scene, desk, stick, set(changed))


def _require_made_good(scene: Scene, desk: Desk, stick: Path, changed: set[Path]) -> None:
    archive, brought = scene.drive, delivered(stick)
    before, words = fingerprint(stick), words_on(stick)
    ran = scene.run(*desk.file_words(stick))
    require_ended(ran, "filed again, it", 0)
    require_file_truth(ran, archive, brought, words)
    require_drive_kept(before, fingerprint(stick), stick)
    require_archive_complete(archive, brought)
    require_answered(stick, archive, require_archive_true(archive))
    named = {finding["path"] for finding in ran.document["findings"]}
    unnamed = sorted(str(path) for path in changed if str(path) not in named)
    require(not unnamed, f"changed in the archive, and not named: {unnamed}")
    again = scene.run(*desk.file_words(stick))
    require_ended(again, "filed a third time, it", 0)
    require(again.document["filed"] == 0, "what was made good is filed once more")


FAULTS = (
    Fault(
        "archive-changed",
        "files of the archive changed by other programs, an index that lies",
        _ON,
        60,
        try_archive_changed,
        2,
    ),
)
