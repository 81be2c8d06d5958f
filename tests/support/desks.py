"""The big computer of a test's own: an archive, a configuration, and the runs that file into it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from manifests.bags.entries import Entry
from tests.support.nights import Ran, assert_valid, entries, run
from transfer.config import Config, load_config
from transfer.engine.medium import Medium, this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.events import Listener, nobody
from transfer.jobs.file.outcome import FileOutcome
from transfer.jobs.file.run import FileRequest, FileRun
from transfer.stop import Stop

SITE = '[site]\nname = "Test Down"\nlatitude = 51.2\nlongitude = -1.9\n'
NOON = datetime(2026, 3, 15, 12, tzinfo=UTC)


@dataclass
class Desk:
    """A computer with an archive; `more` is added to its configuration as it is.

    With `others`, archives by their names, the first one is called "house".
    """

    root: Path
    more: str = ""
    site: str = SITE
    archive_at: Path | None = None
    others: dict[str, Path] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.root.mkdir(parents=True)
        self.archive.mkdir(exist_ok=True)
        for folder in self.others.values():
            folder.mkdir(exist_ok=True)
        self.configure()

    @property
    def archive(self) -> Path:
        return self.archive_at or self.root / "archive"

    @property
    def settings(self) -> Path:
        return self.root / "nightferry.toml"

    def configure(self) -> None:
        """Write the configuration."""
        archives = f"[archive]\nfolder = '{self.archive}'\n"
        if self.others:
            named = {"house": self.archive, **self.others}
            each = (f"[[archive]]\nname = \"{name}\"\nfolder = '{at}'\n" for name, at in named.items())
            archives = "".join(each)
        text = f"{self.site}{archives}[records]\nfolder = 'records'\n{self.more}"
        self.settings.write_text(text, encoding="utf-8")

    def config(self) -> Config:
        """Read the configuration."""
        return load_config(self.settings, os.environ)

    # Runs

    def file(
        self,
        path: Path | None = None,
        *,
        medium: Medium | None = None,
        stop: Stop | None = None,
        listen: Listener = nobody,
        now: datetime = NOON,
        **asked: Any,
    ) -> FileOutcome:
        """Run the job here, in this process."""
        around = Surroundings(
            medium or this_computer(), Records(self.root / "records"), stop or Stop(), listen, lambda: now
        )
        request = FileRequest(path, **({"list_files": True} | asked))
        return FileRun(self.config(), request, around).run()

    def command(self, *words: str | Path, **more: Any) -> Ran:
        """Run the command in a process of its own."""
        return run(*words, "--config", self.settings, **more)

    # What the archive has

    def bags(self) -> list[Path]:
        """Return the archive's bags."""
        return sorted(path.parent for path in self.archive.rglob("bagit.txt") if "data" not in path.parts)

    def files(self) -> dict[str, bytes]:
        """Return every file in the payload of any bag, by its path below the archive."""
        return dict(self._files())

    def _files(self) -> Iterator[tuple[str, bytes]]:
        for bag in self.bags():
            for path in sorted((bag / "data").rglob("*")):
                if path.is_file():
                    yield path.relative_to(self.archive).as_posix(), path.read_bytes()

    def entry(self, path: str) -> Entry:
        """Return the entry of a file by its path below the archive."""
        bag, _, rest = path.partition("/data/")
        return entries(self.archive / bag)[f"data/{rest}"]

    def assert_all_valid(self) -> None:
        """Check every bag with other people's tools, and that nothing half written is left."""
        for bag in self.bags():
            assert_valid(bag)
        assert not list(self.archive.rglob("*.part"))

    def fingerprint(self) -> dict[str, tuple[int, int, int]]:
        """Return size, time and number of every file except the index: any write to one changes them."""
        return fingerprint(self.archive)


def fingerprint(folder: Path) -> dict[str, tuple[int, int, int]]:
    """Return size, time and number of every file at or below a folder."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {
        path.relative_to(folder).as_posix(): (facts.st_size, facts.st_mtime_ns, facts.st_ino)
        for path in files
        if (facts := path.stat()) and not path.name.startswith("index.sqlite")
    }
