"""What other systems drop beside a person's files: on sources, on a drive, in bags, in an archive.

None of it is carried, listed or filed, and none of it fails a check; a person's file that is only called so
is carried like any other.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path

from tests.faults.archive_jobs import FileFirst
from tests.faults.archive_judge import (
    require_archive_complete,
    require_archive_true,
    require_archive_whole,
    require_drive_kept,
)
from tests.faults.judge import (
    MARK,
    fingerprint,
    require,
    require_complete,
    require_ended,
    require_lists_true,
    require_whole,
    sha256_of,
)
from tests.faults.scene import Scene, fits, noise
from tests.faults.trials import Fault, Trial, drive_scene, telling

# RFC 1740, appendix A: magic and version of an AppleDouble file.
_APPLE_DOUBLE = bytes.fromhex("0005160700020000")
# From memory of what each system leaves: macOS, Windows, file managers of Linux, cameras and phones.
_FILES = (".DS_Store", ".apdisk", "Thumbs.db", "ehthumbs.db", "desktop.ini", "Desktop.ini", ".directory")
_IN_FOLDERS = (
    "System Volume Information/IndexerVolumeGuid",
    "System Volume Information/WPSettings.dat",
    "$RECYCLE.BIN/S-1-5-21-1/desktop.ini",
    "$RECYCLE.BIN/S-1-5-21-1/$R1A2B3C.fits",
    ".Spotlight-V100/Store-V2/0A1B/store.db",
    ".fseventsd/fseventsd-uuid",
    ".Trashes/501/light_000.fits",
    ".Trash-1000/files/light_000.fits",
    ".Trash-1000/info/light_000.fits.trashinfo",
    ".TemporaryItems/folders.501/x",
    ".DocumentRevisions-V100/db-V1/db.sqlite",
    "lost+found/#12345",
    "LOST.DIR/12345",
)


class Litter:
    """What was dropped, and where: to be known, and taken away before others look at a bag."""

    def __init__(self, dice: random.Random) -> None:
        self._dice = dice
        self._dropped: list[Path] = []
        self.digests: set[str] = set()

    def drop(self, folder: Path) -> None:
        """Drop companions in a folder and in those below it: beside files, and as a volume's own folders."""
        dice = self._dice
        folders = [folder, *(path for path in sorted(folder.rglob("*")) if self._is_a_place(path))]
        for name in dice.sample(_IN_FOLDERS, dice.randrange(1, len(_IN_FOLDERS))):
            self._put(dice.choice((folder, dice.choice(folders))) / name)
        for place in dice.sample(folders, dice.randrange(1, len(folders) + 1)):
            self._put(place / dice.choice(_FILES))
            beside = [path for path in sorted(place.iterdir()) if self._is_a_persons(path)]
            for path in dice.sample(beside, min(len(beside), dice.randrange(3))):
                self._put(place / f"._{path.name}", _APPLE_DOUBLE)

    def _is_a_place(self, path: Path) -> bool:
        # A system's own folders hold what is theirs already.
        return path.is_dir() and not any(part in path.as_posix() for part in _TOPS)

    def _is_a_persons(self, path: Path) -> bool:
        return path not in self._dropped and path.name not in _TOPS and not path.name.startswith(".")

    def _put(self, path: Path, start: bytes = b"") -> None:
        if path.exists():
            return
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(start + self._dice.randbytes(self._dice.randrange(40, 4_000)))
        self._dropped.append(path)
        self.digests.add(sha256_of(path))

    def clean(self, folder: Path) -> None:
        """Take away what was dropped below a folder: the reference library calls a bag with it invalid."""
        for path in [path for path in self._dropped if path.is_relative_to(folder)]:
            path.unlink(missing_ok=True)
            self._dropped.remove(path)
        for path in [path for path in folder.rglob("*") if path.name in _TOPS and path.is_dir()]:
            if path.name != "lost+found" or path.parent != folder:  # ext4 has its own
                shutil.rmtree(path, ignore_errors=True)

    def look(self, scene: Scene) -> None:
        """Record which files of the sources are the person's own."""
        scene.look()
        scene.known.now = {
            path: sha256 for path, sha256 in scene.known.now.items() if sha256 not in self.digests
        }
        scene.known.ever -= self.digests


_TOPS = frozenset(name.partition("/")[0] for name in _IN_FOLDERS)


def _persons_own(scene: Scene, dice: random.Random) -> set[str]:
    """Put files there that are only called as companions are, and give their digests."""
    computer = scene.computer
    paths = [
        computer.frame("M 51/Ha/._light_020.fits", fits(data=noise(5_000, 120))),
        computer.log("._notes.txt", b"\x00\x05\x16 and no more: half a magic number is none\n"),
        computer.log("lost+found.log", b"a log of the mount that was lost and found\n"),
        computer.log("Thumbs.txt", b"21:00 thumbs up\n"),
    ]
    kept = dice.sample(paths, dice.randrange(1, len(paths) + 1))
    for path in set(paths) - set(kept):
        path.unlink()
    return {sha256_of(path) for path in kept}


def _require_holds(scene: Scene, folder: Path, count: int) -> None:
    """Check that a check of a littered place finds every file, and nothing to complain of."""
    for more in ((), ("--quick",)):
        ran = scene.run("check", str(folder), "--json", *more)
        require_ended(ran, f"check {' '.join(more)}", 0)
        counted = sum(bag["agreed" if more else "verified"] for bag in ran.document["bags"])
        require(counted == count, f"check {' '.join(more)} counts {counted} files, not {count}")
        require(not ran.document["findings"], f"found: {ran.document['findings'][:4]}")


def _sent(scene: Scene, dice: random.Random) -> None:
    """A littered computer sends to a littered drive, whose bag is littered before more is sent to it."""
    litter, drive = Litter(dice), scene.drive
    scene.begin_session()
    own = _persons_own(scene, dice)
    for folder in (scene.computer.frames, scene.computer.logs, drive):
        litter.drop(folder)
    if dice.randrange(3) == 0:
        (drive / MARK).unlink()
        require_ended(scene.run("prepare", str(drive), "--name", "Field stick", "--json"), "prepare", 0)
    litter.look(scene)
    require_ended(scene.send(), "send", 0)
    _require_holds(scene, drive, len(scene.known.now))
    litter.drop(drive)
    _require_holds(scene, drive, len(scene.known.now))
    scene.go_on_with_session()
    litter.look(scene)
    require_ended(scene.send(), "send", 0)
    scene.require_sources_untouched()
    _require_holds(scene, drive, len(scene.known.now))
    litter.clean(drive)
    listed = set().union(*require_lists_true(drive).values())
    require(own <= listed, "a person's file was taken for another system's")
    require(not litter.digests & listed, "a companion was carried")
    renamed = {path: sha256 for path, sha256 in scene.known.now.items() if "/._" not in path}
    require_complete(drive, renamed)
    require_whole(drive, scene.known)


def _filed(scene: Scene, dice: random.Random) -> None:
    """A littered drive, and a littered folder, are filed into a littered archive."""
    litter, archive = Litter(dice), scene.drive
    job = FileFirst(scene)
    job.make_ready()
    litter.drop(job.stick)
    litter.drop(archive)
    before = fingerprint(job.stick)
    for _ in range(2):
        require_ended(scene.run(*job.words()), "file", 0)
        litter.drop(archive)
    count = len(require_archive_true(archive))
    _require_holds(scene, archive, count)
    require_drive_kept(before, fingerprint(job.stick), job.stick)
    litter.drop(scene.computer.frames)
    folder = scene.run(
        "file", str(scene.computer.frames), "--json", "--no-measures", "--config", str(job.desk.settings())
    )
    require_ended(folder, "file of a folder", 0)
    require(len(require_archive_true(archive)) == count, "filed again what was there, or a companion")
    litter.clean(archive)
    require_archive_complete(archive, job.brought)
    require_archive_whole(archive, scene.known.ever)


_STORIES: tuple[Callable[[Scene, random.Random], None], ...] = (_sent, _filed)


def try_companions(trial: Trial) -> None:
    """Litter every place that a night comes through, and hold that only the night came through."""
    story = _STORIES[trial.number % len(_STORIES)]
    with drive_scene(trial) as (scene, _), telling(story.__name__.strip("_")):
        story(scene, trial.dice_for("litter"))


FAULTS = (
    Fault(
        "companions",
        "files and folders that other systems drop beside a night",
        ("ext4", "exfat"),
        50,
        try_companions,
        2,
    ),
)
