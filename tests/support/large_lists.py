"""Lists of a bag that are far larger than its files explain."""

from __future__ import annotations

from pathlib import Path

LISTS = (
    "bagit.txt",
    "bag-info.txt",
    "manifest-sha256.txt",
    "tagmanifest-sha256.txt",
    "fetch.txt",
    "nightferry/entries.jsonl",
    "nightferry/payload-xxh128.txt",
    "nightferry/journal.jsonl",
    "nightferry/acknowledgement-0e1c7b52-7dcb-4bfa-8a7f-1f0d6f2a9e11.json",
)
_ENTRY = (
    b'{"path":"data/%x","size_bytes":0,"sha256":"'
    + b"0" * 64
    + b'","xxh128":"","modified_ns":0,"source":"","original":"","night":"2026-03-14"}\n'
)


def sparse_terabyte(path: Path) -> None:
    """Make a file of a terabyte that takes no room, its first lines as they were."""
    with path.open("ab") as file:
        file.truncate(1 << 40)


def short_lines(path: Path) -> None:
    """Add 400,000 lines that are what they should be, of files that are not there."""
    line = b"00  data/%x\n" if "manifest" in path.name else _ENTRY
    with path.open("ab") as file:
        for start in range(0, 400_000, 100_000):
            file.write(b"".join(line % number for number in range(start, start + 100_000)))
