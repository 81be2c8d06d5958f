"""Faults while frames of an archive are amended, and moved to where they then belong."""

from __future__ import annotations

from typing import Any

from tests.faults.archive_jobs import FileFirst
from tests.faults.archive_judge import (
    require_archive_complete,
    require_archive_true,
    require_archive_whole,
    require_drive_kept,
    require_lights_shown,
)
from tests.faults.judge import Ran, fingerprint, require, require_ended, require_told
from tests.faults.system_calls import FAILURES, KILLED_AT, draw, fail_at, kill_at
from tests.faults.trials import Fault, Trial
from tests.support.volumes import KINDS

MOVES = "nightferry-moves.jsonl"


class Amend(FileFirst):
    """All lights of a night that is in the archive turn out to be of another target."""

    name = "amend"

    def make_ready(self) -> None:
        super().make_ready()
        require_ended(self.scene.run(*self.desk.file_words(self.stick)), "the filing", 0)
        self._look()

    def words(self) -> list[str]:
        said = ["--target", "M 101", "--because", "the mount had lost its way"]
        chosen = ["--of-target", "M 51", "--of-target", "M 101", "--of-type", "light"]
        return ["amend", *chosen, *said, "--json", "--config", str(self.desk.settings())]

    def judge(self, ran: Ran) -> None:
        true = self._require_nothing_lost()
        if not ran.killed and (told := require_told(ran)):
            self._require_told_truly(ran, told, true)

    def _require_nothing_lost(self) -> dict[str, str]:
        """Check that every content is listed, there and whole, and nothing else changed; return the lists."""
        self.scene.require_sources_untouched()
        require_drive_kept(self._stick, fingerprint(self.stick), self.stick)
        true = require_archive_true(self.scene.drive)
        require_archive_whole(self.scene.drive, self.scene.known.ever)
        lost = self.brought.contents - set(true.values())
        require(not lost, f"{len(lost)} contents are on no list of the archive")
        return true

    def _require_told_truly(self, ran: Ran, told: dict[str, Any], true: dict[str, str]) -> None:
        done = [frame for frame in told.get("frames", []) if frame["state"] == "amended"]
        for frame in done:
            require(true.get(frame["to"]) == frame["sha256"], f"amended, it says, and not listed: {frame}")
            require(frame["path"] not in true, f"moved, it says, and listed at both places: {frame}")
        require(
            told.get("moved", 0) == len(done), f"it says {told.get('moved')} moved, and lists {len(done)}"
        )
        if ran.exit == 0:
            require(self._where(true) == {"M 101"}, f"exit 0, and lights lie in {self._where(true)}")

    def _where(self, true: dict[str, str]) -> set[str]:
        return {path.partition("/")[0] for path in true if "light" in path}

    def judge_again(self) -> None:
        again = self.scene.run(*self.words())
        require_ended(again, "amended again, it", 0)
        true = self._require_nothing_lost()
        require(self._where(true) == {"M 101"}, f"lights lie in {self._where(true)}")
        self._require_once(true)
        self._require_filed_again_nothing()

    def _require_once(self, true: dict[str, str]) -> None:
        archive = self.scene.drive
        require_archive_complete(archive, self.brought)
        require(len(true) == len(self.brought.files), f"{len(true)} files of {len(self.brought.files)}")
        require_lights_shown(self.desk.frames(), self.brought)
        require(not (archive / MOVES).exists(), "moves are said to be under way")

    def _require_filed_again_nothing(self) -> None:
        filed = self.scene.run(*self.desk.file_words(self.stick))
        require_ended(filed, "filed again, it", 0)
        require(filed.document["filed"] == 0, f"filed again: {filed.document['filed']} files")
        self._require_once(require_archive_true(self.scene.drive))


def try_kill(trial: Trial) -> None:
    """Kill a run as it enters a system call."""
    kill_at(trial, *draw(trial, KILLED_AT, (Amend,)))


def try_failure(trial: Trial) -> None:
    """Make a system call of a run fail, once or from then on."""
    fail_at(trial, *draw(trial, tuple(FAILURES), (Amend,)))


FAULTS = (
    Fault("amend-killed", "`amend` killed at a system call", KINDS, 400, try_kill, 2),
    Fault("amend-call-fails", "a system call of `amend` fails", KINDS, 400, try_failure, 2),
)
