"""The faults are made with Linux' own means: elsewhere there is nothing to collect."""

from __future__ import annotations

import sys

collect_ignore = [] if sys.platform.startswith("linux") else ["test_faults_slice.py", "test_without.py"]
