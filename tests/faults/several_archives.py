"""Faults while two archives are filed into at once, and while one is healed from the other.

The first archive, "house", is the scene's drive; the second, "attic", lies in the trial's room.
"""

from __future__ import annotations

import json
from pathlib import Path

from tests.faults.archive_jobs import Desk, new_stick, send_to
from tests.faults.archive_judge import (
    MARK,
    archive_bags,
    archive_id,
    delivered,
    is_at,
    not_in,
    require_archive_complete,
    require_archive_true,
    require_archive_whole,
    require_drive_kept,
    words_on,
)
from tests.faults.jobs import Job, flip_bit
from tests.faults.judge import (
    MARK as DRIVE_MARK,
)
from tests.faults.judge import (
    Broken,
    Ran,
    fingerprint,
    listed,
    require,
    require_ended,
    require_same,
    require_told,
    sha256_of,
)
from tests.faults.scene import Scene, prepare, room
from tests.faults.system_calls import FAILURES, KILLED_AT, draw, fail_at, kill_at
from tests.faults.trials import Fault, NotMade, Trial, telling
from tests.support.faulty_drive import faulty

ON = ("ext4", "exfat", "ntfs")
_PARTS = (
    r"/(?:heal-)?\d+\.part"  # not the mark's: one that is damaged is told, and nobody can go on by itself
)
_TWO = """\
[[archive]]
name = "house"
folder = '{house}'
[[archive]]
name = "attic"
folder = '{attic}'
"""


class TwoArchives(Desk):
    """The big computer with two archives: the first is wherever the scene's drive is now."""

    @property
    def attic(self) -> Path:
        """The second archive's folder."""
        return self.scene.root / "attic"

    def settings(self) -> Path:
        self.attic.mkdir(exist_ok=True)
        path = super().settings()
        text = path.read_text(encoding="utf-8")
        one = f"[archive]\nfolder = '{self.scene.drive}'\n"
        assert one in text
        two = _TWO.format(house=self.scene.drive, attic=self.attic)
        path.write_text(text.replace(one, two), encoding="utf-8")
        return path


class FileTwo(Job):
    """A drive's night is filed into two archives that are begun with it."""

    name = "file-two"
    ready_once = True
    needs_bytes = 3_500_000
    room_bytes = 20_000_000

    def make_ready(self) -> None:
        scene = self.scene
        (scene.drive / DRIVE_MARK).unlink(missing_ok=True)
        self.desk = TwoArchives(scene)
        self.stick = new_stick(scene)
        scene.begin_session()
        send_to(scene, self.stick)
        self.brought, self._stick = delivered(self.stick), fingerprint(self.stick)

    def words(self) -> list[str]:
        return self.desk.file_words(self.stick)

    @property
    def archives(self) -> dict[str, Path]:
        """The archives by their names."""
        return {"house": self.scene.drive, "attic": self.desk.attic}

    def judge(self, ran: Ran) -> None:
        self.scene.require_sources_untouched()
        require_drive_kept(self._stick, fingerprint(self.stick), self.stick)
        true = {name: require_archive_true(path) for name, path in self.archives.items()}
        for name, path in self.archives.items():
            require_archive_whole(path, self.scene.known.ever)
            if ran.exit == 0 and not ran.killed:
                lost = not_in(path, true[name], self.brought)
                require(not lost, f"exit 0, and not in {name}: {lost[:4]}")
        self._require_words_true(true)
        told = {} if ran.killed else require_told(ran)
        for each in told.get("archives", []):
            count = each["filed"] + each["already_there"]
            there = len(self.brought.files) - len(
                not_in(self.archives[each["name"]], true[each["name"]], self.brought)
            )
            require(count <= there, f"{each['name']} has {there}, and {count} are said to be there")

    def _require_words_true(self, true: dict[str, dict[str, str]]) -> None:
        """Check that each acknowledgement is of an archive that has all it names, and names the whole bag."""
        by_id = {archive_id(path): name for name, path in self.archives.items()}
        for path, content in words_on(self.stick).items():
            try:
                told = json.loads(content)
            except ValueError:
                raise Broken(f"{path.name} is not whole") from None
            name = by_id.get(told["archive"]["id"], "")
            require(bool(name), f"{path.name} is of another archive")
            for file in told["files"]:
                sha256, size_bytes = file["sha256"], file["size_bytes"]
                there = is_at(self.archives[name], true[name], file["to"], sha256, size_bytes)
                require(there, f"acknowledged by {name}, and not there: {file['to']}")
            named = {file["path"]: file["sha256"] for file in told["files"]}
            require(named == listed(path.parent.parent), f"{path.name} does not name what the bag has")

    def judge_again(self) -> None:
        again = self.scene.run(*self.words())
        require_ended(again, "filed again, it", 0)
        self.judge(again)
        self.require_all()

    def require_all(self) -> None:
        for path in self.archives.values():
            require_archive_complete(path, self.brought)
        require(len(words_on(self.stick)) == 2, "not both archives have acknowledged the night")


class Heal(FileTwo):
    """In the house one frame has another bit, and one is gone; the attic has both."""

    name = "heal"

    def make_ready(self) -> None:
        super().make_ready()
        scene = self.scene
        require_ended(scene.run(*super().words()), "the filing", 0)
        lights = sorted(scene.drive.glob("M 51/data/**/light*"))
        self._harmed, gone = scene.dice.sample(lights, 2)
        flip_bit(self._harmed, scene.dice.randrange(6_000, 100_000))
        self._harm = sha256_of(self._harmed)
        self._below = self._harmed.relative_to(scene.drive)
        self.harm = self._below.as_posix(), self._harm
        self.gone = gone.relative_to(scene.drive).as_posix()
        gone.unlink()
        checked = scene.run("check", "house", "--json", "--config", self.desk.settings())
        require_ended(checked, "the check", 1)
        self._attic = fingerprint(self.desk.attic)
        self._lists = {bag.name: listed(bag) for bag in archive_bags(scene.drive)}

    def words(self) -> list[str]:
        return ["heal", "house", "--from", "attic", "--json", "--config", str(self.desk.settings())]

    def judge(self, ran: Ran) -> None:
        self._require_nothing_lost()
        if ran.killed:
            return
        told = require_told(ran)
        if told and ran.exit == 0:
            require_archive_true(self.scene.drive)
            require(told["not_healed"] == 0, "exit 0 with files that are not healed")

    def _require_nothing_lost(self) -> None:
        """Check that the attic is untouched, lists are as they were, each file whole, harmed or gone."""
        house, ever = self.scene.drive, self.scene.known.ever
        before, after = self._payload(self._attic), self._payload(fingerprint(self.desk.attic))
        require_same(before, after, "the archive that heals")
        for bag in archive_bags(house):
            require(listed(bag) == self._lists[bag.name], f"the manifest of {bag.name} is another")
        require_archive_whole(house, ever | {self._harm})
        set_aside = list(house.glob("M 51/nightferry/set-aside/*"))
        left = [house / self._below, *set_aside]
        kept = any(path.is_file() and sha256_of(path) == self._harm for path in left)
        require(kept, "what was left of the damaged frame is gone")

    def _payload(self, found: dict[str, object]) -> dict[str, object]:
        return {path: facts for path, facts in found.items() if "index.sqlite" not in path}

    def judge_again(self) -> None:
        again = self.scene.run(*self.words())
        require_ended(again, "healed again, it", 0)
        self.require_all()

    def require_all(self) -> None:
        self._require_nothing_lost()
        require_archive_complete(self.scene.drive, self.brought)
        said = (self.scene.drive / "M 51/nightferry/said-healed.jsonl").read_text(encoding="utf-8")
        whole = [path for line in said.splitlines() for path in json.loads(line).get("whole", [])]
        require(
            any(path.endswith(self._below.name) for path in whole), "the bag does not say what was healed"
        )

    def plant_twin(self) -> None:
        (self.scene.drive / MARK).touch()


TWO_ARCHIVES: tuple[type[Job], ...] = (FileTwo, Heal)


def try_kill(trial: Trial) -> None:
    """Kill a run as it enters a system call."""
    kill_at(trial, *draw(trial, KILLED_AT, TWO_ARCHIVES))


def try_failure(trial: Trial) -> None:
    """Make a system call of a run fail, once or from then on."""
    fail_at(trial, *draw(trial, tuple(FAILURES), TWO_ARCHIVES))


def try_wrong_bytes(trial: Trial) -> None:
    """Let the first archive's disk keep or give back other bytes: once, a few times, or always."""
    dice = trial.dice
    kind = dice.choice(TWO_ARCHIVES)
    call, where = dice.choice(
        [
            ("read", r"/data/.*"),
            ("read", _PARTS),
            ("write", _PARTS),
            ("read", dice.choice(("entries.jsonl", "said-proven", "tagmanifest"))),
            ("write", dice.choice(("said-", "tagmanifest", "entries.jsonl"))),
        ]
    )
    rule = f"{call}|{where}|{dice.randrange(1, 5)}|{dice.choice((1, 1, 3, 9999))}|flip"
    with room() as root:
        behind = root / "behind"
        behind.mkdir()
        scene = Scene(root, prepare(behind), trial.dice, trial.without)
        job = kind(scene)
        job.make_ready()
        with faulty(root / "faulty", rule, behind=behind) as disk:
            scene.drive = disk.path
            ran = scene.run(*job.words())
            scene.drive = behind
            faults = disk.faults
        if not faults:
            raise NotMade
        with telling(f"{kind.name}, {rule}"):
            job.judge(ran)
            job.judge_again()


FAULTS = (
    Fault(
        "two-killed",
        "`file` into two archives, and `heal`, killed at a system call",
        ON,
        300,
        try_kill,
        2,
    ),
    Fault(
        "two-call-fails",
        "a system call of `file` into two archives, or of `heal`, fails",
        ON,
        300,
        try_failure,
        1,
    ),
    Fault(
        "two-wrong-bytes",
        "wrong bytes on a disk that is filed into beside another, or healed",
        ("fuse",),
        100,
        try_wrong_bytes,
        1,
    ),
)
