"""Which folder of the archive is whose: two names that no disk tells apart get a folder each."""

from __future__ import annotations

import io
import stat
from collections.abc import Iterator

from manifests.bags.declared import Faults
from manifests.bags.paths import BAG_INFO, OWN, PAYLOAD
from manifests.bags.tag_fields import read_fields
from manifests.bags.tag_lines import tag_lines
from transfer.archive.layout import Owner
from transfer.engine.bag.lines import read_lines
from transfer.engine.medium import PinnedFolder

_LABEL = "Internal-Sender-Identifier"


def bag_info(owner: Owner) -> dict[str, str]:
    """Give the elements of bag-info.txt by which a bag says whose it is."""
    what = {"target": "Frames of one target", "night": "Logs of one night"}
    described = what.get(owner.label.partition(" ")[0], "Frames that calibrate others")
    return {_LABEL: owner.label, "Internal-Sender-Description": described}


def label_in(folder: PinnedFolder, bag: str) -> str | None:
    """Read whose bag lies in a folder; None where it does not say. Raises OSError."""
    content = b"".join(read_lines(folder, f"{bag}/{BAG_INFO}"))
    fields = read_fields(tag_lines(io.BytesIO(content), "utf-8"), Faults(BAG_INFO))
    return next((field.value for field in fields if field.label == _LABEL), None)


def files_below(folder: PinnedFolder, path: str) -> Iterator[str]:
    """Give each file below a path, at any depth. Raises OSError."""
    for name, is_folder in folder.names(path):
        if is_folder:
            yield from files_below(folder, f"{path}/{name}")
        else:
            yield f"{path}/{name}"


class Folders:
    """Finds the folder of each owner in the archive. Raises OSError."""

    def __init__(self, folder: PinnedFolder) -> None:
        self._folder = folder
        self._found: dict[Owner, str] = {}

    def of(self, owner: Owner) -> str:
        """Give the folder of an owner's bag: the one that says so, else the first that is free."""
        if owner not in self._found:
            number, wanted = 1, owner.folder
            while wanted in self._found.values() or not self._is_for(owner, wanted):
                number += 1
                wanted = f"{owner.folder} ({number})"
            self._found[owner] = wanted
        return self._found[owner]

    def _is_for(self, owner: Owner, wanted: str) -> bool:
        facts = self._folder.stat(wanted)
        if facts is None or not stat.S_ISDIR(facts.st_mode):
            return facts is None
        if label_in(self._folder, wanted) == owner.label:
            return True
        # What a run made ready that died before it filed anything; a person's own folder is let be.
        names = {name for name, _ in self._folder.names(wanted)}
        return names <= {PAYLOAD, OWN} and not any(files_below(self._folder, f"{wanted}/{PAYLOAD}"))
