"""Reads a file's bytes once and computes all that is known of it: digests, frame facts, findings."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from manifests.bags.algorithms import Algorithm
from manifests.bags.digests import Block, Digester, Digests
from manifests.findings import Finding, FindingKind
from manifests.frames.endings import looks_like_a_frame
from manifests.frames.inspection import Inspection, Inspector


@dataclass(frozen=True, slots=True)
class Wanted:
    """A requested digest: the algorithm, and the length in bytes (some algorithms leave it open)."""

    algorithm: Algorithm
    size_bytes: int

    def finish(self, state: Any) -> bytes:
        """Return the digest of what was fed to `state`."""
        return self.algorithm.finish(state, bytes(self.size_bytes))


@dataclass(frozen=True, slots=True)
class Content:
    """What was computed from a file's bytes.

    `prefixes` maps each requested size that the file reaches to the SHA-256 of that many first bytes: a file
    whose prefix equals the older file has grown from it. `others` maps each requested algorithm and length to
    its digest.
    """

    size_bytes: int
    digests: Digests
    inspection: Inspection
    prefixes: dict[int, str] = field(default_factory=dict)
    others: dict[Wanted, bytes] = field(default_factory=dict)


class ContentBuilder:
    """Takes a file's bytes in order, each once. `name` is the file's; its ending may promise a frame.

    `others` are further digests that another bag lists for the file.
    """

    def __init__(self, name: str, prefix_sizes: Iterable[int] = (), others: Iterable[Wanted] = ()) -> None:
        self._digester = Digester()
        self._others = {wanted: wanted.algorithm.new() for wanted in others}
        self._inspector = Inspector(expect_fits=looks_like_a_frame(name))
        self._fault: Exception | None = None
        self._prefixes = [_Prefix(size) for size in set(prefix_sizes)]
        self._size_bytes = 0

    def feed(self, block: Block) -> None:
        """Take the next bytes."""
        for prefix in self._prefixes:
            prefix.feed(block)
        for state in self._others.values():
            state.update(block)
        self._digester.update(block)
        self._inspect(block)
        self._size_bytes += len(block)

    def _inspect(self, block: Block) -> None:
        """Inspect the bytes as a frame. No error of that may stop a transfer."""
        if self._fault is None:
            try:
                self._inspector.feed(block)
            except Exception as fault:  # noqa: BLE001 - told as a finding
                self._fault = fault

    def finish(self) -> Content:
        """Return what was computed; nothing may be fed afterwards."""
        digests = self._digester.digests()
        prefixes = {prefix.size: prefix.sha256() for prefix in self._prefixes if prefix.reached}
        others = {wanted: wanted.finish(state) for wanted, state in self._others.items()}
        return Content(self._size_bytes, digests, self._inspection(), prefixes, others)

    def _inspection(self) -> Inspection:
        if self._fault is None:
            try:
                return self._inspector.finish()
            except Exception as fault:  # noqa: BLE001 - told as a finding
                self._fault = fault
        detail = f"the program could not look at it ({type(self._fault).__name__}: {self._fault})"
        return Inspection(is_fits=False, findings=(Finding(FindingKind.HEADER_UNREADABLE, detail),))


class _Prefix:
    """The SHA-256 of the first `size` bytes."""

    def __init__(self, size: int) -> None:
        self.size = size
        self._left = size
        self._digest = hashlib.sha256()

    def feed(self, block: Block) -> None:
        if self._left:
            part = memoryview(block)[: self._left]
            self._digest.update(part)
            self._left -= len(part)

    @property
    def reached(self) -> bool:
        return self._left == 0

    def sha256(self) -> str:
        return self._digest.hexdigest()


def content_of(name: str, blocks: Iterable[Block]) -> Content:
    """Take a whole file given as its blocks, in order."""
    builder = ContentBuilder(name)
    for block in blocks:
        builder.feed(block)
    return builder.finish()
