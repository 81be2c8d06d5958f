"""Headers by a coverage-guided fuzzer: `pip install atheris`, then run this with `-runs=100000`.

The words behind are libFuzzer's. What breaks is written out with the content that did it.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

import atheris

_LONGEST = 30_000

with atheris.instrument_imports(include=["manifests.frames"]):
    from tests.faults.changed_headers import change, real_frames
    from tests.faults.fuzzed_headers import judge


def try_content(content: bytes) -> None:
    """Check what must be true of any content."""
    judge(content, random.Random(len(content)))


def mutate(content: bytes, most: int, seed: int) -> bytes:
    """Change a card or a block; one time in two have the fuzzer itself change it, which knows of neither."""
    dice = random.Random(seed)
    made = atheris.Mutate(content, most) if dice.randrange(2) else change(content, dice)
    return made[:most]


def main() -> None:
    """Begin with the frames of other people, and go on from whatever reaches a new line."""
    with tempfile.TemporaryDirectory(prefix="nightferry-faults-") as corpus:
        for number, content in enumerate(real_frames()):
            (Path(corpus) / f"{number:03}").write_bytes(content)
        fixed = [f"-max_len={_LONGEST}", "-timeout=30", "-rss_limit_mb=2048", f"-artifact_prefix={corpus}/"]
        words = [sys.argv[0], *fixed, *sys.argv[1:], corpus]
        atheris.Setup(words, try_content, custom_mutator=mutate)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
