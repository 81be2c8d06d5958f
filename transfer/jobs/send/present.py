"""What lies on a drive of the files that a bag there lists, and what became of the others."""

from __future__ import annotations

from manifests.bags.paths import SET_ASIDE
from manifests.findings import Finding, FindingKind
from transfer.engine.bag.listed import Known, ListedBag


class Present:
    """The files in the bag's folders and their sizes, listed once a folder: cheaper than a look at each."""

    def __init__(self, bag: ListedBag, drive: str) -> None:
        self._bag, self._drive = bag, drive
        self._folders: dict[str, dict[str, int]] = {}

    def _size_of(self, path: str) -> int | None:
        folder, _, name = path.rpartition("/")
        if folder not in self._folders:
            self._folders[folder] = self._bag.folder.sizes(f"{self._bag.path}/{folder}")
        return self._folders[folder].get(name)

    def has(self, known: Known) -> bool:
        """Tell whether a listed file is there with its size: less than a check, which reads it."""
        return self._size_of(known.path) == known.size_bytes

    def what_became_of(self, known: Known) -> Finding:
        """Say what happened to a listed file that is not there as it was."""
        where = f"{self._drive}/{self._bag.path}/{known.path}"
        size_bytes = self._size_of(known.path)
        if size_bytes is None:
            detail = "an earlier run proved it; it is to be carried again (nightferry check proves the rest)"
            return Finding(FindingKind.MISSING, detail, where)
        detail = (
            f"an earlier run proved it with {known.size_bytes} bytes, and it has {size_bytes}; it is to be "
            f"carried again, and what is there kept in {SET_ASIDE} (nightferry check proves the rest)"
        )
        return Finding(FindingKind.CHANGED, detail, where)
