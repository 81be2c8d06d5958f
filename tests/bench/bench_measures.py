"""How long measuring a frame takes, beside the library's own search for stars in the same array.

Run it as `python -m tests.bench.bench_measures [ROUNDS]`; by default 5.

One run, side by side, in seconds of the processor: a field of 26 million pixels with 3,000 stars as a camera
counts it; sep's background, subtraction and extraction as its documentation has them; then the measures of
the frame, also as a colour mosaic, as a flat, and from a file's bytes. The median of the rounds counts.
Memory is the process's largest, after all frames.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from statistics import median
from typing import Any

import numpy as np
import sep

from manifests.frames.measures.measuring import measure, measure_image
from tests.support.star_fields import StarField, counts, fits_of

FIELD = StarField(height=4176, width=6248, stars=3000, flux_adu=(3e3, 2e5))


def library(image: Any) -> int:
    """https://sep.readthedocs.io: background, subtraction, extraction at 1.5 times the noise."""
    data = image.astype(np.float32)
    background = sep.Background(data)
    return len(sep.extract(data - background, 1.5, err=background.globalrms))


def seconds(act: Callable[[], object]) -> float:
    begun = time.process_time()
    act()
    return time.process_time() - begun


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    image = counts(FIELD.image())
    content = fits_of(image)
    packed = fits_of(image, compressed=True)
    acts: dict[str, Callable[[], object]] = {
        "the library's own search": lambda: library(image),
        "measures": lambda: measure_image(image),
        "measures of a mosaic": lambda: measure_image(image, mosaic=True),
        "measures of a flat": lambda: measure_image(image, stars=False),
        "measures from a file's content": lambda: measure(content, stars=True, mosaic=False),
        "the same, tile-compressed": lambda: measure(packed, stars=True, mosaic=False),
    }
    took: dict[str, list[float]] = {name: [] for name in acts}
    for _ in range(rounds):
        for name, act in acts.items():
            took[name].append(seconds(act))
    base_s = median(took["the library's own search"])
    print(f"{image.size / 1e6:.0f} million pixels, {library(image):,} stars; median of {rounds} rounds")
    for name, each in took.items():
        print(f"{name:<32}{median(each):8.2f} s{median(each) / base_s:8.2f} ×")
    print(f"memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB at most")


if __name__ == "__main__":
    main()
