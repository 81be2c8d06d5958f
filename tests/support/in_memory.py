"""A folder in memory where there is one: a run flushes dozens of times, as it must on a disk."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def folder_in_memory() -> Iterator[Path]:
    """Yield an empty folder, removed afterwards."""
    memory = Path("/dev/shm")
    is_here = os.name != "nt" and memory.is_dir() and os.access(memory, os.W_OK)  # Wine shows Linux' folders
    made = tempfile.mkdtemp(prefix="nightferry-test-", dir=memory if is_here else None)
    folder = Path(made).resolve()  # as the system spells it, where Windows lets it be spelled otherwise
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
