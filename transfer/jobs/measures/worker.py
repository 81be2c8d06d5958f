"""A process that measures frames, one for each line that asks (`transfer/engine/workers.py`)."""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from dataclasses import asdict
from io import BufferedReader
from pathlib import Path
from typing import Any

from manifests.bags.containment import open_ordinary, real_file
from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.frames.measures.measuring import measure
from manifests.frames.measures.pixels import MOST_PIXELS
from transfer.engine.workers import serve

# The largest numbers of FITS have eight bytes a pixel; a header is small beside them.
_MOST_BYTES = 8 * MOST_PIXELS
_LEAST_URGENT = 10


def answer_to(asked: dict[str, Any]) -> dict[str, Any]:
    """Return the answer to one line: `measures`, or `changed`, or `unreadable` and why."""
    try:
        with BufferedReader(open_ordinary(real_file(Path(asked["bag"]), asked["path"]))) as file:
            content = file.read(_MOST_BYTES + 1)
    except OSError as error:
        return {"unreadable": error.strerror or str(error)}
    if len(content) > _MOST_BYTES:
        return {"measures": asdict(FrameMeasures(why_not="it is larger than any frame"))}
    if hashlib.sha256(content).hexdigest() != asked["sha256"]:
        return {"changed": True}
    try:
        measures = measure(content, stars=asked["stars"], mosaic=asked["mosaic"])
    except (MemoryError, ImportError) as error:  # of this computer today, not of the frame: nothing is kept
        return {"unreadable": f"it could not be measured here ({error or 'not enough memory'})"}
    except Exception as error:  # noqa: BLE001 - libraries raise what they please; the next frame may be sound
        measures = FrameMeasures(why_not=f"measuring it failed ({type(error).__name__})")
    return {"measures": asdict(measures)}


def main() -> None:
    """Answer until there is nothing more to read."""
    with suppress(AttributeError, OSError):  # Windows has no nice
        os.nice(_LEAST_URGENT)
    serve(answer_to)


if __name__ == "__main__":
    main()
