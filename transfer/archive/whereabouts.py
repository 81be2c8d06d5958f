"""What kind of folder an archive is named by: whether it is one, and whether other computers reach it."""

from __future__ import annotations

from pathlib import Path

from manifests.bags.bag_reading import is_bag
from manifests.bags.paths import BAGIT_TXT
from transfer.archive.mark import MARK_NAME as ARCHIVE_MARK
from transfer.engine.drive import MARK_NAME as DRIVE_MARK
from transfer.engine.medium import this_computer
from transfer.engine.medium.networks import is_on_a_network


def is_an_archive(root: Path) -> bool:
    """Tell whether a folder without an index is an archive: it has the mark of one, or bags lie in it.

    An index is written into an archive and into nothing else: not into a folder that was named by mistake,
    nor a drive that nights are sent to, nor a bag. Raises OSError where the folder is not there.
    """
    if (root / ARCHIVE_MARK).is_file():
        return True
    if (root / DRIVE_MARK).exists() or (root / BAGIT_TXT).exists():
        return False
    return any(map(is_bag, root.iterdir())) or any(map(is_bag, (root / "nights").glob("*")))


def on_network(root: Path) -> bool:
    """Tell whether other computers may have the archive open, too."""
    return is_on_a_network(root, this_computer().volume_of(root).file_system)
