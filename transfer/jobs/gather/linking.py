"""Frames laid out as links; where no hard link can be made, frames to be copied instead, and why."""

from __future__ import annotations

import errno
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from manifests.findings import Finding, FindingKind
from transfer.engine.bag.lines import parent
from transfer.engine.medium import PinnedFolder
from transfer.errors import ConfigurationError
from transfer.jobs.gather.placing import Placed
from transfer.jobs.gather.request import Means

# Errors of systems where a file system has no hard links, where this user may not make one (on Linux, of a
# file that the user may not write), where a file has as many links as it can have, across disks, and where
# another program holds the file exclusively.
_NO_LINK = frozenset(
    getattr(errno, name)
    for name in ("EXDEV", "EPERM", "EACCES", "EOPNOTSUPP", "ENOTSUP", "ENOSYS", "EMLINK", "EINVAL", "EBUSY")
    if hasattr(errno, name)
)
_ANOTHER_DISK = "the folder is on another disk than the archive"


@dataclass(slots=True)
class Linked:
    """What became of frames that were to be linked.

    `to_copy` are those that could not be linked, `reasons` why; `failed` those whose file was gone by then.
    `writable` are those whose file could not be made read-only.
    """

    done: dict[str, Means] = field(default_factory=dict)
    to_copy: list[Placed] = field(default_factory=list)
    reasons: dict[str, None] = field(default_factory=dict)
    failed: list[Finding] = field(default_factory=list)
    writable: list[str] = field(default_factory=list)


def link(placed: Iterable[Placed], folder: PinnedFolder, means: Means) -> Linked:
    """Lay frames out as the kind of link that is asked for. Raises OSError and ConfigurationError."""
    linked = Linked()
    facts = folder.stat("")
    device = facts.st_dev if facts is not None else None
    for each in placed:
        if means is Means.COPY:
            linked.to_copy.append(each)
        elif means is Means.HARD_LINK and each.file.device != device:
            linked.to_copy.append(each)
            linked.reasons[_ANOTHER_DISK] = None
        else:
            _link(each, folder, means, linked)
    return linked


def _link(placed: Placed, folder: PinnedFolder, means: Means, linked: Linked) -> None:
    folder.make_folders(parent(placed.path))
    try:
        if means is Means.SYMBOLIC_LINK:
            folder.symbolic_link(placed.file.path, placed.path)
        else:
            folder.hard_link(placed.file.path, placed.path)
    except FileNotFoundError:
        gone = Finding(FindingKind.MISSING, "it was there when the archive was looked at", placed.frame.path)
        linked.failed.append(gone)
    except OSError as error:
        if error.errno not in _NO_LINK:
            raise
        if means is Means.SYMBOLIC_LINK:
            raise _no_symbolic_links(error, folder.path) from error
        linked.to_copy.append(placed)
        linked.reasons[f"no hard link could be made there ({error.strerror})"] = None
    else:
        linked.done[placed.frame.path] = means
        if not folder.make_read_only(placed.path):
            linked.writable.append(placed.frame.path)


def _no_symbolic_links(error: OSError, folder: Path) -> ConfigurationError:
    step = "Leave --symbolic out for hard links or copies."
    return ConfigurationError(
        f"No symbolic links can be made in this folder ({error.strerror})", folder, step
    )
