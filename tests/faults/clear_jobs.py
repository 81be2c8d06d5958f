"""The jobs in which files are let go: nights were sent to the scene's drive, filed, and came home.

The archive lies in the trial's room. Beside what may go there is a frame that was never carried, or a night
that stays on the drive.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.faults.archive_judge import require_archive_true
from tests.faults.jobs import Job, flip_bit
from tests.faults.judge import (
    RECEIPT,
    Ran,
    fingerprint,
    receipt_on,
    require,
    require_ended,
    require_lists_true,
    require_same,
    require_told,
    sha256_of,
)
from tests.faults.scene import Scene
from tests.support.nights import noise

LEDGER = "cleared.jsonl"
EARLY = "2026-03-10"
LEFT = f"{EARLY} (being let go)"
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


def carry_home(scene: Scene) -> Path:
    """Send the session, file it into an archive, whose folder is returned, and bring the drive back."""
    scene.computer.drives = [f"name = 'Field stick'\nfolder = '{scene.name_of(scene.drive)}'"]
    scene.computer.configure()
    scene.begin_session()
    require_ended(scene.send(), "the send", 0)
    archive = scene.root / "desk/archive"
    archive.mkdir(parents=True)
    settings = archive.parent / "nightferry.toml"
    settings.write_text(_SETTINGS, encoding="utf-8")
    require_ended(
        scene.run("file", scene.drive, "--json", "--no-measures", "--config", settings), "the filing", 0
    )
    return archive


def in_ledger(records: Path) -> dict[str, str]:
    """Return the content of each file that the ledger has, by its path in a source, or on the drive."""
    ledger, written = records / LEDGER, {}
    for line in ledger.read_bytes().splitlines() if ledger.exists() else ():
        try:
            found = json.loads(line)
        except ValueError:
            continue  # the last line of a run that died
        path = f"{found['source']}/{found['path']}" if "source" in found else found["path"]
        written[path] = found["sha256"]
    return written


class Clear(Job):
    """All that was carried is in the archive and on the drive, and may go."""

    name = "clear"
    writes_to = "imaging"
    ready_once = True

    def make_ready(self) -> None:
        scene = self.scene
        self.archive = carry_home(scene)
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
        written = in_ledger(self.scene.computer.records)
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
        self.require_all()

    def require_all(self) -> None:
        gone = self.require_nothing_lost()
        self._require_in_ledger(gone)
        left = self.goes - gone - self._found_damaged()
        require(not left, f"what may go is left: {sorted(left)[:4]}")

    def _found_damaged(self) -> set[str]:
        """Return what a faulty run read wrongly on the drive: it stays until `send` has carried it again."""
        kept = (self.scene.computer.records / "damaged").rglob("*.json")
        return {
            path.removeprefix("data/") for file in kept for path in json.loads(file.read_bytes())["paths"]
        }


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
        self.require_all()


class ClearDrive(Job):
    """Of two nights on the drive the earlier one may go: the archive and the sources have it."""

    name = "clear-drive"
    ready_once = True

    def make_ready(self) -> None:
        scene = self.scene
        for number in range(3):
            name = f"M 51/L/early_{number:03}.fits"
            scene.computer.frame(name, begun=f"{EARLY}T22:00:00", data=noise(60_000, 40 + number))
        scene.computer.more = "[clear]\nkeep_nights = 1\n"
        scene.computer.configure()
        require_ended(scene.send(), "the night before", 0)
        self.archive = carry_home(scene)
        self.look_again()

    def look_again(self) -> None:
        scene = self.scene
        scene.look()
        lies = {path.relative_to(scene.drive).as_posix(): path for path in scene.drive.rglob("*")}
        self._receipt = receipt_on(scene.drive)
        # The receipt says at the end which night has left: only what it said before is to stay.
        files = {name: path for name, path in lies.items() if path.is_file() and name != RECEIPT}
        on_drive = {name: sha256_of(path) for name, path in files.items()}
        self.goes = {name: sha256 for name, sha256 in on_drive.items() if name.startswith(f"{EARLY}/")}
        self.stays = {name: sha256 for name, sha256 in on_drive.items() if name not in self.goes}
        self._archive = fingerprint(self.archive)

    def words(self) -> list[str]:
        return ["clear", "--drive", "--delete", "--json", "--config", str(self.scene.computer.file)]

    def judge(self, ran: Ran) -> None:
        if receipt_on(self.scene.drive) is None:  # so it leaves a drive that takes no other one
            require(not ran.killed and ran.exit != 0, "the receipt has gone, and it said nothing")
            self._receipt = None
        gone = self.require_nothing_lost()
        self._require_known_for_what_it_is()
        if not ran.killed:
            told = require_told(ran)
            payload = {path for path in gone if "/data/" in path}
            if told and ran.exit == 0:
                require(
                    told["deleted"] == len(payload), f"{told['deleted']} deleted, and {len(payload)} went"
                )

    def require_nothing_lost(self) -> set[str]:
        """Check invariant 6 for a drive; return the paths on it, with their night's first name, that went."""
        scene = self.scene
        scene.require_sources_untouched()
        require_same(self._archive, fingerprint(self.archive), "the archive")
        files = {
            path.relative_to(scene.drive).as_posix(): sha256_of(path)
            for path in scene.drive.rglob("*")
            if path.is_file()
        }
        if self._receipt is not None:
            self._require_receipt_true(self._receipt, {path for path in self.goes if path in files})
        wrong = sorted(f"{path} {what}" for path, what in what_is_wrong(self.goes, self.stays, files))
        require(not wrong, wrong[:4])
        gone = self.goes.keys() - files.keys() - {path.replace(LEFT, EARLY, 1) for path in files}
        archived = set(require_archive_true(self.archive).values())
        written = in_ledger(scene.computer.records)
        payload = {path for path in gone if "/data/" in path}
        lost = sorted(path for path in payload if self.goes[path] not in archived & scene.known.ever)
        require(not lost, f"gone, and not proven in two places: {lost[:4]}")
        silent = sorted(path for path in payload if written.get(path) != self.goes[path])
        require(not silent, f"gone, and not in the ledger: {silent[:4]}")
        return set(gone)

    def _require_receipt_true(self, before: bytes, there: set[str]) -> None:
        """Check that the receipt has kept its lines, and names the night that goes once it lacks a file."""
        lines = (receipt_on(self.scene.drive) or b"").splitlines()
        kept = lines[:1] == before.splitlines()[:1] and set(before.splitlines()) <= set(lines)
        require(kept, "the receipt lost a line")
        told = any(line.startswith(f"  {EARLY}, ".encode()) for line in lines)
        require(told or there == self.goes.keys(), f"the receipt says nothing of {EARLY}, which goes")

    def _require_known_for_what_it_is(self) -> None:
        """Check that neither a check nor a filing takes what is left for damage."""
        checked = self.scene.run("check", self.scene.drive, "--json")
        require_ended(checked, "a check of what is left", 0)

    def judge_again(self) -> None:
        again = self.scene.run(*self.words())
        require_ended(again, "run again, it", 0)
        self.require_all()

    def require_all(self) -> None:
        gone = self.require_nothing_lost()
        require(gone == self.goes.keys(), f"what may go is left: {sorted(self.goes.keys() - gone)[:4]}")


def what_is_wrong(
    goes: dict[str, str], stays: dict[str, str], files: dict[str, str]
) -> Iterator[tuple[str, str]]:
    """Say of each file on a drive what is wrong with it: the night that goes is whole, or being let go."""
    for path, sha256 in stays.items():
        if files.get(path) != sha256:
            yield path, "was to stay as it was"
    begun = any(path.startswith(f"{LEFT}/") for path in files)
    left = {path for path in goes if path in files}
    for path in goes.keys() - left if left else ():
        yield path, f"is gone, and {EARLY} is not being let go"
    for path in left if begun else ():
        yield path, f"is there, and {EARLY} is being let go"
    for path, sha256 in files.items():
        first = path.replace(LEFT, EARLY, 1)
        if (first != path or path in goes) and goes.get(first) != sha256:
            yield path, "is not what it was"


CLEARS: tuple[type[Job], ...] = (Clear, ClearChanged)
CLEAR_DRIVES: tuple[type[Job], ...] = (ClearDrive,)
