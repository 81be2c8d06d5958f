"""What a bag of the archive says of its files' last readings, and what a run adds to that."""

from __future__ import annotations

import hashlib
import io

from manifests.bags.kept_proofs import PROVEN, KeptProof, kept_proofs, proof_statements
from manifests.bags.list_sizes import ListTooLarge
from manifests.bags.paths import said_in
from manifests.bags.statements import statements_of, with_statement
from transfer.engine.bag.lines import read_lines
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.tag_files import pinned_tag_files

PATH = said_in(PROVEN)


class KeptProofs:
    """The last readings of one bag's files. Made from the bag; raises OSError where it can't be read."""

    def __init__(self, listed: ListedBag) -> None:
        self._content = _trusted_content(listed)
        self._proofs = kept_proofs(statements_of(io.BytesIO(self._content), PROVEN).statements)
        self._new: dict[str, KeptProof] = {}

    def of(self, path: str) -> KeptProof | None:
        """Return the last proof of a file, by its path in the bag."""
        return self._new.get(path) or self._proofs.get(path)

    def add(self, path: str, proof: KeptProof) -> None:
        """Add a proof that this run made."""
        self._new[path] = proof

    def drop(self, path: str) -> None:
        """Forget a file's proofs: other content comes to its place, or its last reading is in doubt."""
        self._new.pop(path, None)
        self._proofs.pop(path, None)

    @property
    def content(self) -> bytes | None:
        """What the bag's tag file has to hold; None where there is nothing to add to it."""
        if not self._new:
            return None
        content = self._content
        for statement in proof_statements(self._new):
            content = with_statement(content, statement)
        return content

    def note_written(self, content: bytes) -> None:
        """Note that the tag file holds this content now."""
        self._content = content
        self._proofs |= self._new
        self._new = {}


def _trusted_content(listed: ListedBag) -> bytes:
    """Return the tag file as it is, if it is what the tag manifest lists; else nothing: all is read again."""
    try:
        content = b"".join(read_lines(listed.folder, listed.at(PATH)))
    except ListTooLarge:
        return b""
    pinned = pinned_tag_files(listed).get(PATH) if content else None
    return content if pinned == hashlib.sha256(content).hexdigest() else b""
