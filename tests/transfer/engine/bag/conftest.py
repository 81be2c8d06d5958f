"""A drive with one bag, and files that a lane would bring to it."""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path

import pytest
import xxhash

from manifests.bags.digests import Digests
from manifests.bags.entries import Entry
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.open import Arrival, OpenBag
from transfer.engine.medium import this_computer

NIGHT = "2026-03-14"


class Bag:
    """One bag below a folder, opened as often as a test wants; each opening is another run's."""

    def __init__(self, root: Path) -> None:
        self.root, self.folder = root, this_computer().pin(root)
        self.opened: OpenBag | None = None

    @property
    def path(self) -> Path:
        return self.root / NIGHT

    def listed(self) -> ListedBag:
        bag = ListedBag(self.folder, NIGHT)
        bag.load(lambda entry: None)
        return bag

    def begin(self, lost: tuple[str, ...] = ()) -> OpenBag:
        """Open the bag as a run does that follows on whatever the last one left."""
        if self.opened is not None:
            self.opened.close()
        self.opened = OpenBag(self.listed(), {"External-Identifier": NIGHT})
        self.opened.begin(1 << 10, lost)
        return self.opened

    def arrival(self, name: str, content: bytes, *, replaces: bool = False) -> Arrival:
        """Put a whole file into the incoming folder."""
        assert self.opened is not None
        part = self.opened.new_part()
        (self.root / part).write_bytes(content)
        return Arrival(part, entry_of(name, content), replaces)

    def finish(self, **contents: bytes) -> OpenBag:
        """Take files, prove them and publish the bag, as one run does."""
        opened = self.begin()
        opened.take([self.arrival(name, content) for name, content in contents.items()])
        assert prove(opened) == []
        opened.publish(True, lambda: lambda entry: None)
        return opened

    def has(self, name: str) -> bytes | None:
        path = self.path / "data/logs" / name
        return path.read_bytes() if path.exists() else None

    def manifest(self) -> dict[str, str]:
        lines = (self.path / "manifest-sha256.txt").read_text().splitlines()
        return {line[66:]: line[:64] for line in lines}


def entry_of(name: str, content: bytes, modified_ns: int = 0) -> Entry:
    """Return the entry of a log with this content."""
    digests = Digests(hashlib.sha256(content).hexdigest(), xxhash.xxh3_128_hexdigest(content))
    where = f"data/logs/{name}"
    return Entry(where, len(content), digests, modified_ns, "logs", name, date.fromisoformat(NIGHT))


def prove(opened: OpenBag) -> list[str]:
    """Read back what is not proven; return the paths of bad copies."""
    bad = opened.proofs.prove(lambda count: None, lambda: True)
    return [opened.proofs.in_bag(each.copy) for each in bad]


@pytest.fixture
def bag(tmp_path: Path):
    made = Bag(tmp_path)
    yield made
    if made.opened is not None:
        made.opened.close()
    made.folder.close()
