"""Symbolic links for tests: not every system, and not every user, can make one."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

import pytest


@cache
def can_be_made() -> bool:
    """Return whether a symbolic link can be made here: Wine makes none and reports no error."""
    with tempfile.TemporaryDirectory() as folder:
        link = Path(folder) / "link"
        try:
            link.symlink_to(folder)
        except OSError:
            return False
        return link.is_symlink()


def need_links() -> None:
    """Skip the test where no symbolic link can be made."""
    if not can_be_made():
        pytest.skip("no symbolic link can be made here")
