"""An imaging computer of a test's own: sources with a small night in them, and the runs that carry it."""

from __future__ import annotations

import hashlib
import json
import locale
import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import bagit

from manifests.bags.entries import Entry, read_entries
from transfer.config import Config, load_config
from transfer.engine.drive import MARK_NAME, mark_text, new_mark
from transfer.engine.medium import Medium, this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.events import Listener, nobody
from transfer.jobs.prepare import prepare
from transfer.jobs.send.outcome import SendOutcome
from transfer.jobs.send.ready import SendRequest
from transfer.jobs.send.run import SendRun
from transfer.jobs.send.survey import TONIGHT, Scope
from transfer.stop import Stop

NIGHT = date(2026, 3, 14)
EVENING_NS = int(datetime(2026, 3, 14, 22, 0, tzinfo=UTC).timestamp()) * 10**9
_BLOCK = 2880
# What a program writes into a pipe: on Windows the system's own code page.
_PIPE = locale.getpreferredencoding(False) if os.name == "nt" else "utf-8"


def fits(
    begun: str = "2026-03-14T22:00:00",
    kind: str = "Light Frame",
    target: str = "M 51",
    filter_name: str = "Ha",
    data: bytes = bytes(64),
) -> bytes:
    """Return a frame: a header with the facts that matter here, and one row of `data`."""
    cards = [
        ("SIMPLE", "T"),
        ("BITPIX", "8"),
        ("NAXIS", "2"),
        ("NAXIS1", str(len(data))),
        ("NAXIS2", "1"),
        ("DATE-OBS", f"'{begun}'"),
        ("IMAGETYP", f"'{kind}'"),
        ("OBJECT", f"'{target}'"),
        ("FILTER", f"'{filter_name}'"),
        ("EXPTIME", "600.0"),
    ]
    lines = "".join(f"{key:<8}= {value:>20}".ljust(80) for key, value in cards) + "END".ljust(80)
    header = lines.encode()
    return _filled(header, b" ") + _filled(data, b"\0")


def _filled(part: bytes, filling: bytes) -> bytes:
    return part + filling * (-len(part) % _BLOCK)


def noise(size_bytes: int, seed: int = 1) -> bytes:
    """Return bytes that stand nowhere else: a file system cannot share or skip them."""
    return hashlib.shake_128(f"noise {seed}".encode()).digest(size_bytes)


@dataclass
class Computer:
    """An imaging computer: folders for frames and logs, a configuration, records."""

    root: Path
    drives: list[str] = field(default_factory=list)
    more: str = ""
    records_name: str = "records"

    def __post_init__(self) -> None:
        self.frames.mkdir(parents=True)
        self.logs.mkdir()
        self.configure()

    @property
    def frames(self) -> Path:
        return self.root / "computer" / "frames"

    @property
    def logs(self) -> Path:
        return self.root / "computer" / "logs"

    @property
    def file(self) -> Path:
        return self.root / "nightferry.toml"

    @property
    def records(self) -> Path:
        return self.root / self.records_name

    def configure(self, **others: str) -> None:
        """Write the configuration; `more` is added to it as it is."""
        drives = "".join(f"[[drive]]\n{line}\n" for line in self.drives)
        self.file.write_text(
            '[site]\nname = "Test Down"\nlatitude = 51.2\nlongitude = -1.9\n'
            '[[source]]\nname = "frames"\nfolder = "computer/frames"\nkind = "frames"\n'
            '[[source]]\nname = "logs"\nfolder = "computer/logs"\nkind = "logs"\n'
            f'{drives}[records]\nfolder = "{self.records_name}"\n{self.more}',
            encoding="utf-8",
        )

    # What it has

    def frame(self, name: str, content: bytes | None = None, **facts: Any) -> Path:
        """Put a frame below the frames folder."""
        return self._put(self.frames / name, fits(**facts) if content is None else content)

    def log(self, name: str, content: bytes = b"all quiet\n") -> Path:
        """Put a log below the logs folder."""
        return self._put(self.logs / name, content)

    @staticmethod
    def _put(path: Path, content: bytes, later_ns: int = 123_456_789) -> Path:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        os.utime(path, ns=(EVENING_NS, EVENING_NS + later_ns))
        return path

    @staticmethod
    def append(path: Path, more: bytes, later_s: int = 60) -> None:
        """Let a log grow."""
        before = path.stat().st_mtime_ns
        with path.open("ab") as file:
            file.write(more)
        os.utime(path, ns=(before, before + later_s * 10**9))

    def small_night(self) -> None:
        """Put a few frames and logs of each kind there."""
        for number in (1, 2):
            self.frame(f"M 51/Ha/light {number}.fits", data=noise(5000, number))
        self.frame("darks/dark_1.fits", kind="Dark Frame", target="", data=noise(3000, 3))
        self.log("mount.log", b"22:00 slewing\n")
        self.log("weather/2026-03-14/mast.csv", b"time,deg_c\n22:00,4.5\n")

    def frames_of(self, count: int, size_bytes: int) -> None:
        """Put so many frames of so many bytes each there."""
        for number in range(count):
            self.frame(f"light_{number:03}.fits", data=noise(size_bytes - 2 * _BLOCK, number))

    def fingerprint(self) -> dict[str, tuple[str, int]]:
        """Return the digest and the time of every file of the sources: no run may change one."""
        files = sorted(path for path in (self.root / "computer").rglob("*") if path.is_file())
        return {
            os.fspath(path): (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
            for path in files
        }

    # Runs

    def config(self) -> Config:
        """Read the configuration."""
        return load_config(self.file, os.environ)

    def send(
        self,
        *drives: Path,
        scope: Scope = TONIGHT,
        medium: Medium | None = None,
        stop: Stop | None = None,
        listen: Listener = nobody,
    ) -> SendOutcome:
        """Run the job here, in this process."""
        around = Surroundings(medium or this_computer(), Records(self.records), stop or Stop(), listen)
        return SendRun(self.config(), SendRequest(drives, scope), around).run()

    def command(self, *words: str | Path, **more: Any) -> Ran:
        """Run the command in a process of its own."""
        return run(*words, "--config", self.file, **more)


@dataclass(frozen=True)
class Ran:
    """A process that has ended."""

    exit: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """What `--json` printed: one document and nothing else."""
        found = json.loads(self.out)
        assert isinstance(found, dict)
        return found


def command_line(*words: str | Path) -> list[str]:
    """Return the command as the system starts it."""
    return [sys.executable, "-m", "transfer", *map(os.fspath, words)]


def run(*words: str | Path, environ: dict[str, str] | None = None, **more: Any) -> Ran:
    """Run the command in a process of its own, its output piped."""
    result = subprocess.run(
        command_line(*words),
        capture_output=True,
        check=False,
        stdin=subprocess.DEVNULL,
        timeout=more.pop("ends_within_s", 120),
        env=os.environ | (environ or {}),
        cwd=more.pop("cwd", None) or Path(__file__).parents[2],
        **more,
    )
    return Ran(result.returncode, _text(result.stdout), _text(result.stderr))


def _text(said: bytes) -> str:
    """Return what a program printed, its lines ending as Python's own do."""
    return said.decode(_PIPE).replace(os.linesep, "\n")


def prepared(folder: Path, name: str = "Field stick") -> Path:
    """Mark a folder as a drive to send to."""
    folder.mkdir(parents=True, exist_ok=True)
    mark = new_mark(name, datetime(2026, 3, 1, tzinfo=UTC), None, None)
    (folder / MARK_NAME).write_text(mark_text(mark), encoding="utf-8")
    return folder


def prepared_by_us(folder: Path, name: str = "Field stick") -> Path:
    """Run `prepare` on a folder, measured."""
    prepare(folder, name, this_computer(), datetime.now(UTC))
    return folder


# What lies on a drive


def entries(bag: Path) -> dict[str, Entry]:
    """Return a bag's entries by their paths."""
    with (bag / "nightferry/entries.jsonl").open("rb") as lines:
        return {entry.path: entry for entry in read_entries(lines)}


def payload(bag: Path) -> dict[str, bytes]:
    """Return the content of every file in a bag's payload."""
    return {
        path.relative_to(bag).as_posix(): path.read_bytes()
        for path in sorted((bag / "data").rglob("*"))
        if path.is_file()
    }


def assert_valid(bag: Path) -> None:
    """Compare a bag with the reference library, coreutils, xxhsum, and what the entries say."""
    assert not (bag / "nightferry/journal.jsonl").exists(), "the bag is unfinished"
    bagit.Bag(os.fspath(bag)).validate()
    if payload(bag):
        _tool("sha256sum", "--strict", "-c", "manifest-sha256.txt", cwd=bag)
        _tool("sha256sum", "--strict", "-c", "tagmanifest-sha256.txt", cwd=bag)
        _tool("xxhsum", "--strict", "-c", "nightferry/payload-xxh128.txt", cwd=bag)
    there = payload(bag)
    listed = entries(bag)
    assert listed.keys() == there.keys()
    for path, entry in listed.items():
        assert entry.digests.sha256 == hashlib.sha256(there[path]).hexdigest(), path


def _tool(*words: str, cwd: Path) -> None:
    if shutil.which(words[0]) is None:  # not every system has them
        return
    done = subprocess.run(words, cwd=cwd, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def listed_truly(bag: Path) -> set[str]:
    """Return the paths a bag's manifest lists, each compared with its file; a bag may be unfinished."""
    manifest = bag / "manifest-sha256.txt"
    found = set()
    for line in manifest.read_text(encoding="utf-8").splitlines() if manifest.exists() else ():
        sha256, path = re.fullmatch(r"([0-9a-f]{64})  (.+)", line).groups()  # type: ignore[union-attr]
        assert hashlib.sha256((bag / path).read_bytes()).hexdigest() == sha256, path
        found.add(path)
    return found


def assert_whole_under_final_names(bag: Path, sources: dict[str, Path]) -> None:
    """Check that no file under a final name is another than its source, whole."""
    for path, content in payload(bag).items():
        _, source, original = path.split("/", 2)
        assert content == (sources[source] / original).read_bytes(), path
