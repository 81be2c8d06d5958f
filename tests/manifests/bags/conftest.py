"""Bags written by hand, so that the reader's tests do not rest on our own writer."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pytest
from hypothesis import settings

# A busy machine is no failure of the code.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

HandMade = Callable[..., Path]

FRAMES = {"data/frames/light 1.fits": b"SIMPLE  = T", "data/logs/guide.log": b"21:04 settled\n"}


def digest_lines(files: Mapping[str, bytes], algorithm: str) -> str:
    return "".join(
        f"{hashlib.new(algorithm, content).hexdigest()}  {path}\n" for path, content in files.items()
    )


@pytest.fixture
def hand_made(tmp_path: Path) -> HandMade:
    def make(
        name: str = "night",
        files: Mapping[str, bytes] = FRAMES,
        algorithms: Sequence[str] = ("sha256",),
        version: str = "1.0",
        tags: Mapping[str, str | bytes] | None = None,
        tag_algorithm: str = "",
    ) -> Path:
        bag = tmp_path / name
        (bag / "data").mkdir(parents=True)
        for path, content in files.items():
            (bag / path).parent.mkdir(parents=True, exist_ok=True)
            (bag / path).write_bytes(content)
        texts: dict[str, str | bytes] = {
            "bagit.txt": f"BagIt-Version: {version}\nTag-File-Character-Encoding: UTF-8\n"
        }
        for algorithm in algorithms:
            texts[f"manifest-{algorithm}.txt"] = digest_lines(files, algorithm)
        texts |= tags or {}
        raw = {path: text.encode() if isinstance(text, str) else text for path, text in texts.items()}
        if tag_algorithm:
            raw[f"tagmanifest-{tag_algorithm}.txt"] = digest_lines(raw, tag_algorithm).encode()
        for path, content in raw.items():
            (bag / path).parent.mkdir(parents=True, exist_ok=True)
            (bag / path).write_bytes(content)
        return bag

    return make
