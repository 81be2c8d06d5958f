"""What a person says, added to a bag of the archive: durable, and listed with the bag's other tag files."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing

from manifests.bags.paths import is_of_one_archive, is_said, said_in
from manifests.bags.statements import LONGEST_STATEMENT, MOST_STATEMENTS, Statement, with_statement
from manifests.bags.tag_fields import written_field
from transfer.archive.bags import ArchiveBag, Folders, bag_info, label_in
from transfer.archive.held import OpenArchive, archive_failure
from transfer.archive.layout import Owner, owner_of_label
from transfer.engine.bag.lines import read_lines
from transfer.engine.bag.open import OpenBag
from transfer.engine.bag.tag_files import begin_with_info, is_as_pinned, put_tag_file
from transfer.engine.medium import PinnedFolder
from transfer.errors import NightferryError


def add_statement(archive: OpenArchive, owner: Owner, statement: Statement) -> str:
    """Add a statement to an owner's bag, made where there is none yet; return the bag's path.

    Raises as `add_statements` does.
    """
    try:
        bag = Folders(archive.folder).of(owner)
    except OSError as error:
        raise archive_failure(error, archive.root) from error
    add_statements(archive, bag, owner, [statement])
    return bag


def add_statements(archive: OpenArchive, bag: str, owner: Owner, statements: Sequence[Statement]) -> None:
    """Add statements of one kind to a bag, which is made where there is none yet.

    The archive is held by this run. What was said before stays as it is. Raises NightferryError where the
    bag is unfinished or full of statements, what was said before is damaged, or the archive fails.
    """
    try:
        listed = ArchiveBag(archive.folder, bag)
        if listed.unfinished:
            step = "File again (nightferry file), which finishes it, then say it again."
            raise NightferryError("An earlier run did not finish this bag", archive.root / bag, step)
        if listed.fingerprint() is None:
            _write_lists(listed, owner)
        path = said_in(statements[0].kind)
        _require_whole(archive, listed, path)
        content = b"".join(read_lines(archive.folder, listed.at(path)))
        if content.count(b"\n") + len(statements) > MOST_STATEMENTS:
            happened = f"No more than {MOST_STATEMENTS:,} statements of one kind go into a bag"
            raise NightferryError(happened, archive.root / bag / path)
        for statement in statements:
            content = with_statement(content, statement)
        put_tag_file(listed, path, content)
    except OSError as error:
        raise archive_failure(error, archive.root) from error


def bring_statements(source: PinnedFolder, bag: str, into: OpenArchive) -> None:
    """Add to an archive what a person has said in a bag of another one, the lines that it has not.

    What an archive says of its own files (when they were proven, what was damaged) is left out. Raises
    OSError and NightferryError.
    """
    there = ArchiveBag(source, bag)
    said = [path for path in there.tag_files_that_stay() if is_said(path) and not is_of_one_archive(path)]
    if not said:
        return
    owner = owner_of_label(label_in(source, bag) or "", bag)
    listed = ArchiveBag(into.folder, Folders(into.folder).of(owner))
    if listed.unfinished:
        return  # the next run finishes it, and brings them then
    for path in said:
        if not is_as_pinned(there, path):
            step = "nightferry heal, told that archive, writes it again; then file from it again."
            raise NightferryError("What was said there is not what was written", there.at(path), step)
        lines = list(read_lines(source, there.at(path)))
        content = b"".join(read_lines(into.folder, listed.at(path)))
        known = set(content.splitlines(keepends=True))
        new = [line for line in lines if line not in known and line.endswith(b"\n")]
        if not new:
            continue
        if listed.fingerprint() is None:
            _write_lists(listed, owner)
        _require_whole(into, listed, path)
        put_tag_file(listed, path, content + b"".join(new))


def _require_whole(archive: OpenArchive, listed: ArchiveBag, path: str) -> None:
    """Refuse to add to what is damaged: pinned anew, nobody would see the damage any more."""
    if not is_as_pinned(listed, path):
        step = f'Heal it, from another archive or a drive: nightferry heal "{archive.root}" --from NAME'
        where = archive.root / listed.at(path)
        raise NightferryError(
            "What was said in this bag is not what was written", where, f"{step}. Then again."
        )


def _write_lists(listed: ArchiveBag, owner: Owner) -> None:
    """Write the lists of a bag without a tag manifest: a new one, or one that a run left when it died."""
    info = bag_info(owner)
    begin_with_info(listed, "".join(written_field(*each) for each in info.items()).encode("utf-8"))
    listed.load(lambda _: None)
    bag = OpenBag(listed, info)
    with closing(bag):
        bag.begin(LONGEST_STATEMENT)
        bag.publish(True, lambda: lambda _: None)
