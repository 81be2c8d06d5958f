"""The jobs in which files are let go: the night was sent to the scene's drive, filed, and came home.

The archive lies in the trial's room. Beside what may go there is a frame that was never carried.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from tests.faults.archive_judge import require_archive_true
from tests.faults.jobs import Job, flip_bit
from tests.faults.judge import (
    Ran,
    fingerprint,
    require,
    require_ended,
    require_lists_true,
    require_same,
    require_told,
)
from tests.support.nights import noise

LEDGER = "cleared.jsonl"
_LATE = "frames/late.fits"
_SETTINGS = """\
[site]
name = "Test Down"
latitude = 51.2
longitude = -1.9
[archive]
folder = 'archive'
[records]
folder = 'records'
"""


class Clear(Job):
    """All that was carried is in the archive and on the drive, and may go."""

    name = "clear"

    def make_ready(self) -> None:
        scene = self.scene
        scene.computer.drives = [f"name = 'Field stick'\nfolder = '{scene.drive}'"]
        scene.computer.configure()
        scene.begin_session()
        require_ended(scene.send(), "the send", 0)
        self.archive = scene.root / "desk/archive"
        self.archive.mkdir(parents=True)
        settings = self.archive.parent / "nightferry.toml"
        settings.write_text(_SETTINGS, encoding="utf-8")
        require_ended(scene.run("file", scene.drive, "--json", "--config", settings), "the filing", 0)
        scene.computer.frame(Path(_LATE).name, noise(50_000, 99))
        self.goes = {path.removeprefix("data/") for path in scene.known.now}
        self.look_again()

    def look_again(self) -> None:
        """Take sources, drive and archive as they are now for what they are to stay."""
        scene = self.scene
        scene.look()
        self.contents = {path.removeprefix("data/"): sha256 for path, sha256 in scene.known.now.items()}
        self._drive, self._archive = fingerprint(scene.drive), fingerprint(self.archive)

    def words(self) -> list[str]:
        return ["clear", "--delete", "--json", "--config", str(self.scene.computer.file)]

    def judge(self, ran: Ran) -> None:
        gone = self.require_nothing_lost()
        self._require_in_ledger(gone)
        if not ran.killed:
            told = require_told(ran)
            if told:
                self._require_true(ran, told, gone)

    def require_nothing_lost(self) -> set[str]:
        """Check invariant 6: what has gone is in two places, and what is left is as it was. Return the gone.

        Nothing but sources is touched.
        """
        scene = self.scene
        left = {path: facts for path, facts in scene.sources().items() if Path(path).is_file()}
        require_same({path: scene.before[path] for path in left}, left, "a source that is left")
        gone = {path for path in self.contents if str(self._source(path)) not in left}
        require_same(self._archive, fingerprint(self.archive), "the archive")
        require_same(self._drive, fingerprint(scene.drive), "the drive")
        archived = set(require_archive_true(self.archive).values())
        on_drive = {sha256 for digests in require_lists_true(scene.drive).values() for sha256 in digests}
        lost = sorted(path for path in gone if self.contents[path] not in archived & on_drive)
        require(not lost, f"gone, and not proven in two places: {lost[:4]}")
        strange = sorted(gone - self.goes)
        require(not strange, f"gone, and was to stay: {strange[:4]}")
        return gone

    def _source(self, path: str) -> Path:
        return self.scene.computer.root / "computer" / path

    def _require_in_ledger(self, gone: set[str]) -> None:
        ledger = self.scene.computer.records / LEDGER
        written = {}
        for line in ledger.read_bytes().splitlines() if ledger.exists() else ():
            try:
                found = json.loads(line)
            except ValueError:
                continue  # the last line of a run that died
            written[f"{found['source']}/{found['path']}"] = found["sha256"]
        silent = sorted(path for path in gone if written.get(path) != self.contents[path])
        require(not silent, f"gone, and not in the ledger: {silent[:4]}")

    def _require_true(self, ran: Ran, told: dict[str, Any], gone: set[str]) -> None:
        require(told["deleted"] == len(gone), f"it says that {told['deleted']} went, and {len(gone)} did")
        if ran.exit == 0:
            stay = {each["path"] for night in told["nights"] for each in night["stays"]}
            require(stay | gone == self.contents.keys(), "exit 0, and a file neither went nor stayed")

    def judge_again(self) -> None:
        again = self.scene.run(*self.words())
        require_ended(again, "run again, it", 0)
        gone = self.require_nothing_lost()
        self._require_in_ledger(gone)
        require(gone == self.goes, f"what may go is left: {sorted(self.goes - gone)[:4]}")


class ClearChanged(Clear):
    """A frame was changed in place since it was carried, its size and time kept."""

    name = "clear-changed"

    def make_ready(self) -> None:
        super().make_ready()
        frames = sorted(path for path in self.goes if "light" in path)
        changed = self.scene.dice.choice(frames)
        path = self._source(changed)
        facts = path.stat()
        flip_bit(path, self.scene.dice.randrange(6_000, 100_000))
        os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
        self.goes -= {changed}
        self.look_again()

    def judge(self, ran: Ran) -> None:
        super().judge(ran)
        require(ran.killed or ran.exit != 0 or not ran.document.get("deleted"), "exit 0 with a changed frame")

    def judge_again(self) -> None:
        again = self.scene.run(*self.words())
        require_ended(again, "run again, it", 1)
        gone = self.require_nothing_lost()
        self._require_in_ledger(gone)
        require(gone == self.goes, f"what may go is left: {sorted(self.goes - gone)[:4]}")


CLEARS: tuple[type[Job], ...] = (Clear, ClearChanged)
