"""Tag files of a bag of the archive that are not what its tag manifest pins, written again.

Entries, and what was said in the bag, follow from nothing else. They are written again where lines of the
damaged file and of a copy give, together, what has the pinned digest: then they are what was written, whoever
had the lines. Where nothing gives that, entries stay as they are; of what was said every line that can be
read is kept, with those that a copy has besides, and the damaged file lies in nightferry/set-aside. All
other lists follow from the entries.
"""

from __future__ import annotations

import difflib
import hashlib
import io
import itertools
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from manifests.bags.entries import EntryError, read_entries
from manifests.bags.paths import (
    BAG_INFO,
    ENTRIES,
    INCOMING,
    MANIFEST,
    PAYLOAD_XXH128,
    SET_ASIDE,
    TAG_MANIFEST,
    is_of_one_archive,
    is_said,
)
from manifests.bags.statements import LONGEST_STATEMENT, Statement, statements_of
from transfer.archive.bags import ArchiveBag, bag_info, label_in
from transfer.archive.held import OpenArchive
from transfer.archive.layout import Owner, label_of_entry, owner_of_label
from transfer.archive.proofs import DAMAGED_PATH
from transfer.archive.proofs import PATH as PROVEN_PATH
from transfer.engine.bag.durable import write_durably
from transfer.engine.bag.lines import content_of, read_lines
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.open import OpenBag
from transfer.engine.bag.tag_files import (
    keep_apart,
    pinned_tag_files,
    put_tag_file,
    sha256_where_there,
    wrong_tag_files,
)
from transfer.engine.medium import PinnedFolder

# So many places at which a file and its copy differ are tried one by one, and these few in every combination.
_MOST_APART, _MOST_TOGETHER = 1000, 8
_TRIED_AT_MOST_BYTES = 1 << 30
_WRITTEN_BY_READING = (PROVEN_PATH, DAMAGED_PATH)


class Mended(NamedTuple):
    """What came of a bag's tag files: those that are again `as_written`, and why others are not, by path."""

    as_written: tuple[str, ...]
    not_whole: dict[str, str]


def mend_tag_files(archive: OpenArchive, bag: str, donor: PinnedFolder) -> Mended:
    """Write again what a bag's entries and statements were, with a copy's help; lists are left alone.

    What a bag says of its own readings is left to the next reading. The bag of the same path below `donor`
    is the copy. Raises OSError and DriveFailed.
    """
    listed, copy = ArchiveBag(archive.folder, bag), ArchiveBag(donor, bag)
    pinned = pinned_tag_files(listed)
    as_written, not_whole = list[str](), dict[str, str]()
    for path in wrong_tag_files(listed):
        if path != ENTRIES and (not is_said(path) or path in _WRITTEN_BY_READING):
            continue
        own, other = content_of(listed.folder, listed.at(path)), content_of(copy.folder, copy.at(path))
        exact = as_pinned(own, other, pinned[path])
        if exact is not None:
            keep_apart(listed, path)
            archive.folder.flush_folders(sorted(archive.folder.make_folders(listed.at(INCOMING))))
            write_durably(archive.folder, listed.at(path), exact, listed.at(INCOMING))
            as_written.append(path)
        elif is_said(path):
            why = _said_again(listed, copy, path, own)
            not_whole |= {path: why} if why else {}
            as_written += [] if why else [path]
    return Mended(tuple(as_written), not_whole)


# What has the pinned digest


def as_pinned(own: bytes, other: bytes, sha256: str) -> bytes | None:
    """Return what two versions of a file give together that has a digest; None where nothing tried has it.

    They are compared line by line. Where they differ, each place is taken from the other in turn, and from
    one or the other in every combination where the places are few.
    """
    left = [_TRIED_AT_MOST_BYTES]
    for content in _candidates(own, other):
        left[0] -= len(content)
        if hashlib.sha256(content).hexdigest() == sha256:
            return content
        if left[0] < 0:
            break
    return None


def _candidates(own: bytes, other: bytes) -> Iterator[bytes]:
    yield other
    pieces = list(_pieces(own.splitlines(keepends=True), other.splitlines(keepends=True)))
    places = [number for number, (mine, theirs) in enumerate(pieces) if mine != theirs]
    for place in places[:_MOST_APART]:
        yield _joined(pieces, {place})
    if len(places) <= _MOST_TOGETHER:
        for count in range(2, len(places)):
            for some in itertools.combinations(places, count):
                yield _joined(pieces, set(some))


def _joined(pieces: Sequence[tuple[bytes, bytes]], from_other: set[int]) -> bytes:
    return b"".join(theirs if number in from_other else mine for number, (mine, theirs) in enumerate(pieces))


def _pieces(own: list[bytes], other: list[bytes]) -> Iterator[tuple[bytes, bytes]]:
    """Yield two versions of a file piece by piece; lines that stand in for others one by one."""
    compared = difflib.SequenceMatcher(None, own, other, autojunk=False)
    for kind, start, end, other_start, other_end in compared.get_opcodes():
        mine, theirs = own[start:end], other[other_start:other_end]
        if kind == "equal":
            yield b"".join(mine), b"".join(theirs)
        else:
            yield from itertools.zip_longest(mine, theirs, fillvalue=b"")


# What was said, as far as it can be read


def _said_again(listed: ListedBag, copy: ListedBag, path: str, own: bytes) -> str:
    """Have a bag list every line that can be read, and those that a copy has besides, in the order of time.

    Of two lines of one moment, where the copy has only one of them, that one is what was said. Return why
    it may not be all that was said, or nothing where the copy confirms every line.
    """
    lines, of_copy = list(_readable(path, own)), list[tuple[bytes, Statement]]()
    if not is_of_one_archive(path) and pinned_tag_files(copy).get(path) == sha256_where_there(copy, path):
        of_copy = list(_readable(path, content_of(copy.folder, copy.at(path))))
    new = [each for each in of_copy if each not in lines]
    times = {statement.said_utc for _, statement in new}
    kept = [each for each in lines if each[1].said_utc not in times]
    if not kept and not new:
        return "it is gone, or cannot be read, and no copy has it"
    aside = keep_apart(listed, path)
    together = sorted([*kept, *new], key=lambda each: each[1].said_utc) if new else kept
    put_tag_file(listed, path, b"".join(line for line, _ in together))
    if own and all(line in (said for said, _ in of_copy) for line in own.splitlines(keepends=True)):
        return ""
    where = f"; as it was it is kept as {aside}" if aside else ""
    return f"no copy confirms every line of it: what can be read was kept{where}"


def _readable(path: str, content: bytes) -> Iterator[tuple[bytes, Statement]]:
    kind = path.rpartition("-")[2].removesuffix(".jsonl")
    for line in content.splitlines(keepends=True):
        for statement in statements_of(io.BytesIO(line), kind).statements:
            yield line, statement


# What follows from the entries


def write_lists_again(archive: OpenArchive, bag: str) -> str:
    """Write a bag's lists again from its entries; return why that cannot be done, or nothing.

    They are believed where the tag manifest pins them, or where they say the same as both lists of digests:
    then it is the tag manifest that is damaged, and it is set aside. Raises OSError and NightferryError.
    """
    listed = _loaded(archive, bag)
    if listed.damage and _agree(listed):
        aside = f"{SET_ASIDE}/{listed.path.replace('/', ' ')} {TAG_MANIFEST}"
        changed = archive.folder.make_folders(listed.at(SET_ASIDE)) | {listed.path, listed.at(SET_ASIDE)}
        archive.folder.replace(listed.at(TAG_MANIFEST), listed.at(aside))
        archive.folder.flush_folders(sorted(changed))
        listed = _loaded(archive, bag)
    if listed.damage:
        return listed.damage
    opened = OpenBag(listed, bag_info(_owner(listed)))
    try:
        opened.begin(LONGEST_STATEMENT)
        opened.lists.rewrite()
        opened.journal.end()
    finally:
        opened.close()
    return ""


def _owner(listed: ArchiveBag) -> Owner:
    """Return whose a bag is: as it says itself, else as its files say."""
    label = ""
    if BAG_INFO not in wrong_tag_files(listed):
        label = label_in(listed.folder, listed.path) or ""
    first = next(listed.entries(), None)
    if not label and first is not None:
        label = label_of_entry(first, listed.path)
    return owner_of_label(label, listed.path)


def _loaded(archive: OpenArchive, bag: str) -> ArchiveBag:
    listed = ArchiveBag(archive.folder, bag)
    listed.load(lambda _: None)
    return listed


def _agree(listed: ArchiveBag) -> bool:
    """Return whether the entries, whatever pins them, say the same of every file as both lists of digests."""
    folder, at = listed.folder, listed.at
    if folder.stat(at(TAG_MANIFEST)) is None:
        return False
    try:
        said = [
            (f"{one.digests.sha256}  {one.path}\n".encode(), f"{one.digests.xxh128}  {one.path}\n".encode())
            for one in read_entries(read_lines(folder, at(ENTRIES)))
        ]
        sha256 = sorted(read_lines(folder, at(MANIFEST)))
        xxh128 = sorted(read_lines(folder, at(PAYLOAD_XXH128)))
    except (EntryError, OSError):
        return False
    return bool(said) and sha256 == sorted(a for a, _ in said) and xxh128 == sorted(b for _, b in said)
