"""The jobs of the big computer that faults are made in: a drive's nights brought into the archive.

The scene's drive is here the archive's disk; the drive that is filed lies in the trial's room.
"""

from __future__ import annotations

from pathlib import Path

from tests.faults.archive_judge import MARK as ARCHIVE_MARK
from tests.faults.archive_judge import (
    Delivered,
    delivered,
    require_answered,
    require_archive_complete,
    require_archive_true,
    require_archive_whole,
    require_drive_kept,
    require_file_truth,
    require_lights_shown,
    words_on,
)
from tests.faults.jobs import Job, flip_bit
from tests.faults.judge import MARK, Ran, fingerprint, require, require_ended, require_same
from tests.faults.scene import Scene, prepare

_SETTINGS = """\
[site]
name = "Test Down"
latitude = 51.2
longitude = -1.9
[archive]
folder = '{archive}'
[records]
folder = 'records'
"""


class Desk:
    """The big computer of a trial: its settings and records, and the drives that are brought to it."""

    def __init__(self, scene: Scene, name: str = "desk") -> None:
        self.scene = scene
        self.root = scene.root / name
        self.root.mkdir()

    def settings(self) -> Path:
        """Write the configuration: the archive is wherever the scene's drive is now."""
        path = self.root / "nightferry.toml"
        path.write_text(_SETTINGS.format(archive=self.scene.name_of(self.scene.drive)), encoding="utf-8")
        return path

    def file_words(self, stick: Path, *more: str) -> list[str]:
        """Return the words of `file` for a drive."""
        return ["file", str(stick), "--json", "--no-measures", "--config", str(self.settings()), *more]

    def frames(self) -> Ran:
        """Ask the archive for its frames."""
        return self.scene.run("frames", "--json", "--config", self.settings())


def new_stick(scene: Scene, name: str = "stick") -> Path:
    """Prepare a drive that is to be filed."""
    stick = scene.root / name
    stick.mkdir()
    return prepare(stick)


def send_to(scene: Scene, stick: Path) -> None:
    """Send the session to it."""
    ran = scene.run("send", "--drive", stick, "--json", "--config", scene.computer.file)
    require_ended(ran, "the send", 0)


class FileFirst(Job):
    """A drive with the first part of the night is filed into an archive that is begun with it."""

    name = "file"
    needs_bytes = 3_500_000
    room_bytes = 20_000_000  # what has to be free before the first byte is written

    def make_ready(self) -> None:
        (self.scene.drive / MARK).unlink(missing_ok=True)
        self.desk = Desk(self.scene)
        self.stick = new_stick(self.scene)
        self.scene.begin_session()
        send_to(self.scene, self.stick)
        self._look()

    def _look(self) -> None:
        self.brought: Delivered = delivered(self.stick)
        self._stick = fingerprint(self.stick)
        self._words = words_on(self.stick)
        mark = self.scene.drive / ARCHIVE_MARK
        self._mark = mark.read_bytes() if mark.exists() else b""

    def words(self) -> list[str]:
        return self.desk.file_words(self.stick)

    def judge(self, ran: Ran) -> None:
        self._require_untouched()
        require_file_truth(ran, self.scene.drive, self.brought, self._words)
        require_archive_whole(self.scene.drive, self.scene.known.ever)

    def _require_untouched(self) -> None:
        self.scene.require_sources_untouched()
        require_drive_kept(self._stick, fingerprint(self.stick), self.stick)

    def judge_again(self) -> None:
        again = self.scene.run(*self.words())
        require_ended(again, "filed again, it", 0)
        self._require_untouched()
        self.require_all()
        require_file_truth(again, self.scene.drive, self.brought, self._words)
        require_lights_shown(self.desk.frames(), self.brought)

    def require_lists_true(self) -> None:
        require_archive_true(self.scene.drive)

    def require_all(self) -> None:
        archive = self.scene.drive
        require_archive_complete(archive, self.brought)
        require_archive_whole(archive, self.scene.known.ever)
        require_answered(self.stick, archive, require_archive_true(archive))

    def is_from_medium(self, ran: Ran) -> bool:
        return bool(ran.document.get("read_back") == "medium")

    def plant_twin(self) -> None:
        (self.scene.drive / ARCHIVE_MARK).write_bytes(self._mark)


class FileMore(FileFirst):
    """A drive with more of a night is filed into an archive that has its first part: logs have grown."""

    name = "file-more"
    needs_bytes = 1_500_000

    def make_ready(self) -> None:
        super().make_ready()
        first = self.scene.run(*self.words())
        require_ended(first, "the first filing", 0)
        self.scene.go_on_with_session()
        send_to(self.scene, self.stick)
        self._look()


class FileDamaged(FileFirst):
    """A drive on which one byte of one frame is not what it was is filed: all but that frame."""

    name = "file-damaged"

    def make_ready(self) -> None:
        super().make_ready()
        frame = self.scene.dice.choice(sorted(self.stick.glob("*/data/**/light*")))
        flip_bit(frame, self.scene.dice.randrange(6_000, 100_000))
        self._damaged = frame.relative_to(self.stick).as_posix()
        self._look()

    def _require_untouched(self) -> None:
        self.scene.require_sources_untouched()
        require_same(self._stick, fingerprint(self.stick), "the drive that is filed")

    def judge(self, ran: Ran) -> None:
        super().judge(ran)
        require(ran.killed or ran.exit != 0, "exit 0 with a damaged frame")
        require(not words_on(self.stick), "the archive's word for a night with a damaged frame")

    def judge_again(self) -> None:
        again = self.scene.run(*self.words())
        require_ended(again, "filed again, it", 1)
        self.judge(again)
        named = [found["path"] for found in again.document["findings"]]
        require(any(path.endswith(self._damaged) for path in named), f"{self._damaged} is not named: {named}")
        others = {path: sha256 for path, sha256 in self.brought.files.items() if path != self._damaged}
        require_archive_complete(self.scene.drive, Delivered(self.stick, others))
        require_lights_shown(self.desk.frames(), Delivered(self.stick, others))


FILINGS: tuple[type[Job], ...] = (FileFirst, FileMore)
