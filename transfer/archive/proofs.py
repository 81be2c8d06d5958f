"""What a bag of the archive says of its files' last readings, and what a run adds to that."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Mapping
from datetime import datetime

from manifests.bags.kept_proofs import (
    DAMAGED,
    PROVEN,
    KeptProof,
    damage_statements,
    kept_proofs,
    known_damage,
    proof_statements,
    whole_statements,
)
from manifests.bags.list_sizes import ListTooLarge
from manifests.bags.paths import said_in
from manifests.bags.statements import MOST_STATEMENTS, Statement, statements_of, with_statement
from transfer.engine.bag.lines import read_lines
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.tag_files import keep_apart, pinned_tag_files

PATH = said_in(PROVEN)
DAMAGED_PATH = said_in(DAMAGED)
# A list of statements that has grown beyond this is begun anew with what holds now: no reader takes any size.
_GROWS_TO_BYTES = 8 << 20


class KeptProofs:
    """The last readings of one bag's files. Made from the bag; raises OSError where it can't be read.

    A file that was found damaged has no proof until it is read again and holds; `damaged` says what is wrong.
    Where the record of damage is not what was written no proof counts: any file may have been found damaged.
    """

    def __init__(self, listed: ListedBag) -> None:
        self._listed = listed
        self._written: dict[str, bytes] = {}
        trusted = {path: _trusted_content(listed, path) for path in (PATH, DAMAGED_PATH)}
        self._begins_anew = trusted[DAMAGED_PATH] is None
        self._lost = [path for path, content in trusted.items() if content is None or self._begins_anew]
        for path, content in trusted.items():
            self._written[path] = b"" if self._begins_anew else content or b""
        self._proofs = kept_proofs(_statements(self._written[PATH], PROVEN))
        self._damaged = known_damage(_statements(self._written[DAMAGED_PATH], DAMAGED))
        self._new: dict[str, KeptProof] = {}
        self._new_damage: dict[str, tuple[str, datetime]] = {}
        self._whole: dict[str, datetime] = {}

    def of(self, path: str) -> KeptProof | None:
        """Return the last proof of a file, by its path in the bag; None where it was found damaged since."""
        if path in self._damaged:
            return None
        return self._new.get(path) or self._proofs.get(path)

    def last_read_utc(self, path: str) -> datetime | None:
        """Return when a file was last read and held, whatever was found since."""
        proof = self._new.get(path) or self._proofs.get(path)
        return None if proof is None else proof.read_utc

    @property
    def damaged(self) -> Mapping[str, str]:
        """What is wrong with each file that was found damaged and has not held since, by its path."""
        return self._damaged

    def add(self, path: str, proof: KeptProof) -> None:
        """Add a proof that this run made."""
        self._new[path] = proof
        if self._damaged.pop(path, None) is not None and self._new_damage.pop(path, None) is None:
            self._whole[path] = proof.read_utc

    def add_damage(self, path: str, wrong: str, found_utc: datetime) -> None:
        """Add that this run found a file damaged."""
        self._new.pop(path, None)
        if path not in self._damaged:
            self._damaged[path] = wrong
            self._new_damage[path] = (wrong, found_utc)

    def drop(self, path: str) -> None:
        """Forget a file's proofs: other content comes to its place, or its last reading is in doubt."""
        self._new.pop(path, None)
        self._proofs.pop(path, None)

    @property
    def contents(self) -> dict[str, bytes]:
        """What the bag's tag files have to hold, by their paths; without those to which nothing is added."""
        added: dict[str, list[Statement]] = {}
        if self._new:
            added[PATH] = list(proof_statements(self._new))
        found, whole = self._new_damage, self._whole
        damage = [
            *(one for path in found for one in damage_statements({path: found[path][0]}, found[path][1])),
            *(one for path in whole for one in whole_statements([path], whole[path])),
        ]
        if damage or (added and self._begins_anew):
            added[DAMAGED_PATH] = damage
        return {path: self._with(path, statements) for path, statements in added.items()}

    def _with(self, path: str, statements: Iterable[Statement]) -> bytes:
        content = self._written[path]
        if len(content) > _GROWS_TO_BYTES or content.count(b"\n") > MOST_STATEMENTS // 2:
            content = b""
            statements = (
                proof_statements(self._proofs | self._new)
                if path == PATH
                else damage_statements(self._damaged, max(each.said_utc for each in statements))
            )
        for statement in statements:
            content = with_statement(content, statement)
        return content

    def keep_apart_what_is_lost(self) -> None:
        """Copy records that are not what was written, and are begun anew, into the bag's set-aside folder.

        Raises OSError and DriveFailed.
        """
        while self._lost:
            keep_apart(self._listed, self._lost[-1])
            self._lost.pop()

    def note_written(self, contents: Mapping[str, bytes]) -> None:
        """Note that the tag files hold these contents now."""
        self._written |= contents
        self._proofs |= self._new
        self._new, self._new_damage, self._whole, self._begins_anew = {}, {}, {}, False


def _statements(content: bytes, kind: str) -> tuple[Statement, ...]:
    return statements_of(io.BytesIO(content), kind).statements


def _trusted_content(listed: ListedBag, path: str) -> bytes | None:
    """Return a tag file as it is, if it is what the tag manifest lists; else None: all is read again."""
    pinned = pinned_tag_files(listed).get(path)
    try:
        content = b"".join(read_lines(listed.folder, listed.at(path)))
    except ListTooLarge:
        return None
    if not content and pinned is None:
        return b""
    return content if pinned == hashlib.sha256(content).hexdigest() else None
