"""What not every system has: marks that skip a test there, with the reason."""

from __future__ import annotations

import os
import sys

import pytest

from tests.support.links import can_be_made

need_pipes = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes in the file system there")
need_links = pytest.mark.skipif(not can_be_made(), reason="no symbolic link can be made there")
need_every_name = pytest.mark.skipif(
    sys.platform == "win32", reason="Windows cannot hold a file of that name"
)
need_cases = pytest.mark.skipif(
    sys.platform == "win32", reason="names that differ only in case are one name there"
)
need_dir_fd = pytest.mark.skipif(
    os.open not in os.supports_dir_fd, reason="folders are not opened below folders there"
)
need_users = pytest.mark.skipif(
    not hasattr(os, "geteuid"), reason="POSIX' users and permission bits do not exist there"
)
need_renames = pytest.mark.skipif(
    sys.platform == "win32", reason="Windows renames and removes nothing that a program holds open"
)
need_no_hold = pytest.mark.skipif(
    sys.platform == "win32", reason="Windows lets no other program at a file that is held to be removed"
)
need_read_times = pytest.mark.skipif(
    sys.platform == "win32", reason="Wine keeps no time of the last read that was set"
)
need_signals = pytest.mark.skipif(sys.platform == "win32", reason="POSIX' signals do not exist there")
need_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="no process is forked there")
need_posix = pytest.mark.skipif(sys.platform == "win32", reason="it tries POSIX' own calls")
