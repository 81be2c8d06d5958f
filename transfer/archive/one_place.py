"""What one archive has and no other has, said beside its nights and targets."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date

from manifests.findings import Finding, FindingKind
from manifests.index.elsewhere import contents, not_among
from transfer.archive.questions import Browsed, browsed
from transfer.config import Archive
from transfer.errors import NightferryError
from transfer.words import counted


def one_place_findings(
    archive: Browsed, configured: Sequence[Archive], *, by_target: bool, nights: Iterable[date] = ()
) -> list[Finding]:
    """Return what is in this archive alone, a finding for each night or target.

    Nothing is returned unless every other archive is here and can be asked: what one that is away has is not
    known. Raises NightferryError.
    """
    others = [each for each in configured if each.folder != archive.root]
    own = next((each for each in configured if each.folder == archive.root), None)
    if own is None or not others:
        return []
    elsewhere: set[bytes] = set()
    for other in others:
        found = _contents(other)
        if found is None:
            return []
        elsewhere |= found
    alone = archive.ask(lambda index: not_among(index, elsewhere))
    wanted = set(nights)
    files: Counter[str] = Counter()
    for (night, target), count in alone.items():
        if by_target and target is not None:
            files[target] += count
        if not by_target and night in wanted:
            files[night.isoformat()] += count
    detail = f"in no other archive than {own.label}: nightferry copies"
    return [
        Finding(FindingKind.ONE_PLACE_ONLY, f"{counted(count, 'file')} {detail}", what)
        for what, count in sorted(files.items())
    ]


def _contents(archive: Archive) -> set[bytes] | None:
    """Return what an archive has; None where it is away, or cannot be asked."""
    try:
        with browsed(archive.folder) as other:
            return None if other.findings else other.ask(contents)
    except (NightferryError, OSError):
        return None
