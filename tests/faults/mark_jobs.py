"""The jobs of a person's verdict on a night: it is kept in the night's bag in the archive.

The scene's drive is the archive's disk. It has a night of frames and logs, on which something was said
before, and a night of frames alone, whose bag the first verdict makes.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests.faults.archive_jobs import FileFirst, send_to
from tests.faults.archive_judge import archive_bags, require_archive_true
from tests.faults.judge import (
    Fingerprint,
    Ran,
    fingerprint,
    require,
    require_ended,
    require_same,
    require_told,
    require_valid,
    sha256_of,
)

SAID = "nightferry/said-verdict.jsonl"
_BECAUSE = "dew on the front lens"


class MarkAgain(FileFirst):
    """A night has a verdict, and gets another one."""

    name = "mark-again"
    night = "2026-03-14"
    needs_bytes = 50_000
    room_bytes = 100_000

    def make_ready(self) -> None:
        super().make_ready()
        require_ended(self.scene.run(*self.desk.file_words(self.stick)), "the first filing", 0)
        self.scene.computer.frame("next.fits", begun="2026-03-15T22:00:00")
        self.scene.look()
        send_to(self.scene, self.stick)
        require_ended(self.scene.run(*self.desk.file_words(self.stick)), "the second filing", 0)
        require_ended(self.scene.run(*self._marking("2026-03-14", "poor")), "the first verdict", 0)
        self._look()
        self._said = self._statements().read_bytes() if self._statements().exists() else b""
        self._payload = self._files()

    def _marking(self, night: str, verdict: str) -> list[str]:
        settings = str(self.desk.settings())
        return ["mark", night, verdict, "--because", _BECAUSE, "--json", "--config", settings]

    def words(self) -> list[str]:
        return self._marking(self.night, "lost")

    @property
    def statements(self) -> str:
        """The file of the night's verdicts, below the archive's folder."""
        return f"nights/{self.night}/{SAID}"

    def _statements(self) -> Path:
        return self.scene.drive / self.statements

    def _files(self) -> Fingerprint:
        return fingerprint(*(bag / "data" for bag in archive_bags(self.scene.drive)))

    def judge(self, ran: Ran) -> None:
        said = self._require_kept(1)
        if not ran.killed:
            require_told(ran)
            require(ran.exit != 0 or said, "exit 0, and the verdict is not kept")
            if ran.exit == 0:
                self._require_listed()

    def _require_kept(self, at_most: int) -> list[dict[str, Any]]:
        """Check that files and earlier words are as they were. Return what was said since."""
        self._require_untouched()
        now = {path: facts for path, facts in self._files().items() if path in self._payload}
        require_same(self._payload, now, "a file of the archive")
        require_archive_true(self.scene.drive)
        path = self._statements()
        content = path.read_bytes() if path.exists() else b""
        require(content.startswith(self._said), "what was said before is not as it was")
        lines = content.removeprefix(self._said).splitlines(keepends=True)
        require(all(line.endswith(b"\n") for line in lines), f"half a statement: {lines[-1:]}")
        said = [json.loads(line) for line in lines]
        wanted = {"night": self.night, "verdict": "lost", "because": _BECAUSE}
        require(all(wanted.items() <= each.items() for each in said), f"nobody said that: {said}")
        require(len(said) <= at_most, f"said {len(said)} times")
        return said

    def _require_listed(self) -> None:
        """Check that the bag's tag manifest vouches for the statements as they are."""
        tags = (
            (self.scene.drive / "nights" / self.night / "tagmanifest-sha256.txt")
            .read_text(encoding="utf-8")
            .splitlines()
        )
        line = f"{sha256_of(self._statements())} {SAID}"
        require(line in [" ".join(each.split(maxsplit=1)) for each in tags], "the statements are not listed")

    def require_all(self) -> None:
        require(self._require_kept(2), "the verdict is not kept")
        self._require_listed()
        for bag in archive_bags(self.scene.drive):
            require_valid(bag)

    def judge_again(self) -> None:
        again = self.scene.run(*self.words())
        require_ended(again, "marked again, it", 0)
        self.require_all()
        asked = self.scene.run("nights", "--json", "--config", self.desk.settings())
        require_ended(asked, "nights", 0)
        shown = {each["night"]: each["verdict"] for each in asked.document["nights"]}
        require(shown.get(self.night) == "lost", f"nights shows {shown}")


class MarkFirst(MarkAgain):
    """A night of frames alone gets its first verdict: its bag is made for it."""

    name = "mark"
    night = "2026-03-15"
