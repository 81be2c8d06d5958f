"""A process that makes pictures of frames, one for each line that asks (`transfer/engine/workers.py`)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from transfer.engine.workers import serve
from transfer.page.picture import picture_of


def answer_to(asked: dict[str, Any]) -> dict[str, Any]:
    """Return the answer to one line: what is kept of a frame, or `unreadable` and why."""
    try:
        return picture_of(Path(asked["bag"]), asked["path"]).as_told()
    except OSError as error:
        return {"unreadable": error.strerror or str(error)}
    except (MemoryError, ImportError) as error:  # of this computer today, not of the frame: nothing is kept
        return {"unreadable": f"no picture of it could be made here ({error or 'not enough memory'})"}


def main() -> None:
    """Answer until there is nothing more to read."""
    serve(answer_to)


if __name__ == "__main__":
    main()
