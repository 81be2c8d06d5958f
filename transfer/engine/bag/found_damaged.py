"""Files of a night's bag on a drive that were found damaged since they were proven: they are carried again.

Size and time of such a copy are as ever. What a check on this computer found is kept in its records; what
the archive's computer found while it filed is said in the bag itself, since the drive is all that comes home.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from datetime import date, datetime

from manifests.bags.kept_proofs import DAMAGED, damage_statements, known_damage, whole_statements
from manifests.bags.paths import said_in
from manifests.bags.statements import Statement, statements_of, with_statement
from transfer.engine.bag.lines import content_of
from transfer.engine.bag.listed import ListedBag
from transfer.engine.records import Records

PATH = said_in(DAMAGED)


def found_damaged(listed: ListedBag, records: Records, drive_id: str, night: date) -> frozenset[str]:
    """Return the paths in a bag of what was found damaged and was not carried again since. Raises OSError."""
    return frozenset(_said(content_of(listed.folder, listed.at(PATH)))) | records.damaged(drive_id, night)


def content_with_damage(listed: ListedBag, wrong: Mapping[str, str], now: datetime) -> bytes | None:
    """Return what the tag file has to hold when files, by path, are found damaged; None where it says so.

    Raises OSError.
    """
    content = content_of(listed.folder, listed.at(PATH))
    known = _said(content)
    new = {path: what for path, what in wrong.items() if path not in known}
    return _with(content, damage_statements(new, now)) if new else None


def content_with_whole(listed: ListedBag, paths: Collection[str], now: datetime) -> bytes | None:
    """Return what the tag file has to hold when files were carried again; None where it says nothing of them.

    Raises OSError.
    """
    content = content_of(listed.folder, listed.at(PATH))
    whole = _said(content).keys() & set(paths)
    return _with(content, whole_statements(sorted(whole), now)) if whole else None


def _said(content: bytes) -> dict[str, str]:
    return known_damage(statements_of(content.splitlines(keepends=True), DAMAGED).statements)


def _with(content: bytes, statements: Iterable[Statement]) -> bytes:
    for statement in statements:
        content = with_statement(content, statement)
    return content
