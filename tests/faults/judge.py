"""The judge: holds what lies on a disk and what a run said against each other.

It shares nothing with the product. Its means are coreutils' sha256sum, xxhsum, the BagIt reference
library, and plain Python over the open formats.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import bagit

RECEIPT = "READ ME FIRST.txt"
MARK = "nightferry-drive.toml"
logging.getLogger("bagit").setLevel(logging.CRITICAL + 1)  # what it finds comes as an error, too

_COMPANIONS = {
    *("System Volume Information", "$RECYCLE.BIN", "lost+found", "LOST.DIR", ".Trash-1000", ".Trashes"),
    *(".Spotlight-V100", ".fseventsd", ".TemporaryItems", ".DocumentRevisions-V100"),
}
_LINE = re.compile(r"([0-9a-f]{64})  (data/.+)")
_CODES = range(7)  # the exit codes that there are
_CLAIM = re.compile(r"(SAFE|COMPARED) ON ")


class Broken(AssertionError):
    """An invariant does not hold."""


def require(holds: object, told: object) -> None:
    """Raise Broken unless it holds."""
    if not holds:
        raise Broken(str(told))


@dataclass(frozen=True)
class Ran:
    """A run that has ended, or was ended; `excused` where its own output was what the fault hit."""

    exit: int
    out: str
    err: str
    killed: bool = False
    excused: bool = False

    @property
    def document(self) -> dict[str, Any]:
        """What it printed as JSON; empty where it printed nothing."""
        if not self.out.strip():
            return {}
        try:
            found = json.loads(self.out)
        except ValueError:
            raise Broken(f"what it printed is not JSON: {self.out[:300]!r}") from None
        return dict(found)


@dataclass
class Known:
    """What the sources hold now (bag path to SHA-256), and every whole content they ever held."""

    now: dict[str, str] = field(default_factory=dict)
    ever: set[str] = field(default_factory=set)


Fingerprint = dict[str, tuple[str, int, int]]


def sha256_of(path: Path) -> str:
    """Digest a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def fingerprint(*folders: Path) -> Fingerprint:
    """Return content, time and mode of everything below some folders, links and folders included."""
    found: Fingerprint = {}
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            facts = path.lstat()
            if path.is_symlink():
                found[str(path)] = (f"-> {path.readlink()}", 0, facts.st_mode)
            elif path.is_file():
                found[str(path)] = (sha256_of(path), facts.st_mtime_ns, facts.st_mode)
            else:
                found[str(path)] = ("", 0, facts.st_mode)
    return found


def require_same(before: Fingerprint, after: Fingerprint, what: str) -> None:
    """Invariant 1, and whatever else no run may change."""
    changed = sorted(path for path in before.keys() | after.keys() if before.get(path) != after.get(path))
    require(not changed, f"{what} changed: {changed[:4]}")


# What lies on a drive


def bags_on(drive: Path) -> list[Path]:
    """Return every folder of the drive that is, was, or is to be a bag."""
    return sorted(path for path in drive.iterdir() if path.is_dir() and path.name not in _COMPANIONS)


def listed(bag: Path) -> dict[str, str]:
    """Return what the manifest lists, path to SHA-256; every line has to be one."""
    manifest = bag / "manifest-sha256.txt"
    if not manifest.exists():
        return {}
    lines = manifest.read_bytes().decode("utf-8").splitlines()
    found = [_LINE.fullmatch(line) for line in lines]
    require(all(found), f"{manifest} has lines that are none")
    paths = {line[2]: line[1] for line in found if line is not None}
    require(len(paths) == len(lines), f"{manifest} lists a file twice")
    return paths


def require_lists_true(drive: Path) -> dict[str, set[str]]:
    """Invariant 2: what any manifest lists is there and matches. Return the digests listed by path."""
    true: dict[str, set[str]] = {}
    for bag in bags_on(drive):
        require_listed_there(bag)
        for path, sha256 in listed(bag).items():
            true.setdefault(path, set()).add(sha256)
    return true


def require_listed_there(bag: Path) -> None:
    """Prove with coreutils what a bag's manifests list."""
    for name in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
        _require_tool(bag, "sha256sum", name)


def _require_tool(bag: Path, tool: str, name: str) -> None:
    if not (bag / name).exists() or not (bag / name).stat().st_size:
        return
    done = subprocess.run(
        [tool, "--strict", "-c", name], cwd=bag, capture_output=True, text=True, check=False
    )
    wrong = [line for line in done.stdout.splitlines() if not line.endswith("OK")]
    require(done.returncode == 0, f"{bag.name}/{name}: {wrong[:3]} {done.stderr.strip()[-300:]}")


def require_whole(drive: Path, known: Known, *, torn_if_marked: bool = False) -> None:
    """Invariant 3: whatever stands under a final name is a whole content that a source has or had."""
    for bag in bags_on(drive):
        marked = _marked_as_changing(bag) if torn_if_marked else set()
        for path in _payload(bag):
            name = path.relative_to(bag).as_posix()
            whole = sha256_of(path) in known.ever
            require(whole or name in marked, f"{bag.name}/{name} is not whole ({path.stat().st_size} bytes)")


def _payload(bag: Path) -> Iterator[Path]:
    return (path for path in sorted((bag / "data").rglob("*")) if path.is_file())


def _marked_as_changing(bag: Path) -> set[str]:
    """Return the files that the bag itself calls still growing, in its entries or in its journal."""
    found = set()
    for name in ("nightferry/entries.jsonl", "nightferry/journal.jsonl"):
        if (bag / name).exists():
            lines = (json.loads(line) for line in (bag / name).read_bytes().splitlines())
            found |= {line["path"] for line in lines if line.get("growing")}
    return found


def require_complete(drive: Path, wanted: dict[str, str]) -> None:
    """Invariant 5: every bag valid and finished, every file that is wanted there."""
    true = require_lists_true(drive)
    lost = sorted(path for path, sha256 in wanted.items() if not _is_listed(true, path, sha256))
    require(not lost, f"not on the drive: {lost[:4]}")
    for bag in bags_on(drive):
        require_valid(bag)
    left = [path.name for path in drive.iterdir() if path.name.endswith(".part")]
    require(not left, f"left lying on the drive: {left}")


def _is_listed(true: dict[str, set[str]], path: str, sha256: str) -> bool:
    """Return whether a content is listed under its name, or beside it under one made from that."""
    stem = path.rpartition(".")[0]
    return any(sha256 in digests for name, digests in true.items() if name == path or name.startswith(stem))


def require_valid(bag: Path) -> None:
    """Prove a finished bag with the reference library and xxhsum."""
    own = {path.name for path in (bag / "nightferry").rglob("*") if path.is_file()}
    require("journal.jsonl" not in own, f"{bag.name} is unfinished")
    require(not [name for name in own if name.endswith(".part")], f"{bag.name} has parts left: {own}")
    try:
        bagit.Bag(os.fspath(bag)).validate()
    except (bagit.BagError, ValueError) as error:  # a ValueError where a list is not UTF-8
        raise Broken(f"{bag.name} is not valid: {error}") from error
    _require_tool(bag, "xxhsum", "nightferry/payload-xxh128.txt")


# What a run said


def require_ended(ran: Ran, what: str = "it", *codes: int) -> None:
    """Check that a run ended by itself and without a traceback, with one of these exit codes or of all."""
    require(ran.exit in (codes or _CODES), f"{what} ended with {ran.exit}: {ran.out[-600:]}{ran.err[-300:]}")
    require("Traceback" not in ran.err, f"{what}: a traceback: {ran.err[-500:]}")


def require_told(ran: Ran) -> dict[str, Any]:
    """Check that a run ended and said so, with the exit code that it ended with. Return what it said."""
    require_ended(ran)
    told = ran.document
    require(told or ran.excused, f"it printed nothing, and ended with {ran.exit}: {ran.err[-300:]}")
    if told:
        require(told["exit"] == ran.exit or ran.excused, f"it says exit {told['exit']}, ends with {ran.exit}")
        require(told["message"], "no message")
    return told


def require_truth(ran: Ran, drive: Path, wanted: dict[str, str] | None, receipt_before: bytes | None) -> None:
    """Invariant 4, for `send`: exit code, message, JSON and receipt claim nothing that is not so.

    `wanted` is what the sources hold; None while they change.
    """
    true = require_lists_true(drive)
    _require_receipt_true(ran, drive, true, wanted, receipt_before)
    if ran.killed:
        return
    told = require_told(ran)
    if ran.exit == 0 and wanted is not None:
        lost = sorted(path for path, sha256 in wanted.items() if not _is_listed(true, path, sha256))
        require(not lost, f"exit 0, and not listed: {lost[:4]}")
    if told:
        _require_document_true(told, sum(len(digests) for digests in true.values()))


def _require_document_true(told: dict[str, Any], listed_count: int) -> None:
    if told["command"] != "send" or "files_proven" not in told:
        return
    require(told["safe_to_pull"] == (told["exit"] == 0), "safe_to_pull and exit differ")
    require(told["files_proven"] <= listed_count, f"{told['files_proven']} proven, {listed_count} listed")
    require(told["exit"] != 0 or told["files_unproven"] == 0, "exit 0 with files unproven")


def receipt_on(drive: Path) -> bytes | None:
    """Return the receipt as it lies there."""
    path = drive / RECEIPT
    return path.read_bytes() if path.exists() else None


def _require_receipt_true(
    ran: Ran, drive: Path, true: dict[str, set[str]], wanted: dict[str, str] | None, before: bytes | None
) -> None:
    """A receipt that says the night is safe is an older run's, untouched, or has all on the drive."""
    receipt = receipt_on(drive)
    if receipt is None or not _CLAIM.match(receipt.decode("utf-8", "replace")) or receipt == before:
        return
    lost = [path for path, sha256 in (wanted or {}).items() if not _is_listed(true, path, sha256)]
    require(not lost, f"the receipt says that the night is safe, without {sorted(lost)[:4]}")
    unfinished = [bag.name for bag in bags_on(drive) if (bag / "nightferry/journal.jsonl").exists()]
    require(not unfinished, f"the receipt says that the night is safe, and {unfinished} is unfinished")
