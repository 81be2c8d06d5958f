"""Reads what a folder declares as a bag: BagIt 0.93 to 1.0 (RFC 8493), whoever made it."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from manifests.bags.containment import open_ordinary, real_file
from manifests.bags.declared import Bag, Faults, Malformed, Manifest, Oxum
from manifests.bags.list_sizes import Allowance, ListTooLarge, bounded_lines, files_in
from manifests.bags.manifest_lines import read_fetch, read_journal, read_manifest
from manifests.bags.paths import (
    BAG_INFO,
    BAGIT_TXT,
    FETCH,
    JOURNAL,
    MANIFEST_NAME,
    PACKAGE_INFO,
    PAYLOAD,
    Version,
    shown,
)
from manifests.bags.tag_fields import Field, read_fields
from manifests.bags.tag_lines import MARK, TOO_LARGE, Line, is_encoding, tag_lines, without_mark
from manifests.findings import Finding, FindingKind

_NEWEST: Version = (1, 0)
_OLDEST: Version = (0, 93)
_VERSION = re.compile(r"([0-9]{1,3})\.([0-9]{1,3})")
_OXUM = re.compile(r"([0-9]{1,18})\.([0-9]{1,18})")


class NotABag(ValueError):
    """A folder with none of the signs of a bag; `path` is the folder."""

    def __init__(self, path: Path) -> None:
        super().__init__(f"{path} is not a bag")
        self.path = path


def is_bag(folder: Path) -> bool:
    """Return whether a folder declares itself a bag, or is what is left of one.

    A bag whose bagit.txt is lost still has a manifest and its payload; one of ours that was never
    finished has a journal.
    """
    try:
        names = {path.name for path in folder.iterdir()}
    except OSError:
        return False
    return looks_like_a_bag(names) or (folder / JOURNAL).is_file()


def looks_like_a_bag(names: set[str]) -> bool:
    """Return whether a folder with these names in it is a bag."""
    return BAGIT_TXT in names or (PAYLOAD in names and any(map(_is_payload_manifest, names)))


def _is_payload_manifest(name: str) -> bool:
    found = MANIFEST_NAME.fullmatch(name)
    return found is not None and not found[1]


def read_bag(folder: Path) -> Bag:
    """Read what the bag in `folder` declares. What is malformed or unreadable is in the result.

    Raises NotABag where the folder has no sign of being one.
    """
    if not is_bag(folder):
        raise NotABag(folder)
    return _Reader(folder).bag()


def payload_oxum(folder: Path) -> Oxum | None:
    """Return the Payload-Oxum of a bag without reading its manifests; None where it has none."""
    reader = _Reader(folder)
    reader.declaration()
    return reader.oxum(reader.info())


def _refuse_spaced_labels(lines: Sequence[Line], fields: Sequence[Field], faults: Faults) -> None:
    """Add the elements whose label has white space before its colon (RFC 8493, section 2.1.1)."""
    labels = {line.number: line.text.partition(":")[0] for line in lines}
    for field in fields:
        if labels[field.line] != labels[field.line].rstrip():
            faults.add(field.line, f"has white space between '{shown(field.label)}' and its colon")


class _Reader:
    """Reads one bag's tag files and collects what is wrong with them."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._version: Version = _NEWEST
        self._encoding = "UTF-8"
        self._malformed: list[Malformed] = []
        self._unreadable: list[Finding] = []
        # Apart, so that a payload manifest without end is not taken for a fault of the tag manifests.
        self._of_payload = Allowance(lambda: files_in(folder))
        self._of_tags = Allowance(lambda: files_in(folder))

    def bag(self) -> Bag:
        names = self._names()
        self.declaration()
        fields = self.info()
        manifests = [self._manifest(name) for name in names if _is_payload_manifest(name)]
        tag_manifests = [self._manifest(name) for name in names if self._is_tag_manifest(name)]
        journal = self._journal()
        self._completeness(names, manifests, tag_manifests, journal)
        return Bag(
            path=self._folder,
            version=self._version,
            encoding=self._encoding,
            info=tuple((field.label, field.value) for field in fields),
            oxum=self.oxum(fields),
            manifests=tuple(manifests),
            tag_manifests=tuple(tag_manifests),
            fetchable=self._fetch(manifests),
            journal=journal,
            malformed=tuple(self._malformed),
            unreadable=tuple(self._unreadable),
        )

    def _names(self) -> list[str]:
        try:
            return sorted(path.name for path in self._folder.iterdir())
        except OSError as error:
            self._could_not_read("", error)
            return []

    @staticmethod
    def _is_tag_manifest(name: str) -> bool:
        found = MANIFEST_NAME.fullmatch(name)
        return found is not None and bool(found[1])

    # What each file says

    def declaration(self) -> None:
        """Read bagit.txt: the version and the encoding of all the others."""
        faults = Faults(BAGIT_TXT)
        lines = list(self._declaration_lines(faults))
        fields = read_fields(lines, faults)
        said = {field.label: field for field in fields}
        if fields:
            self._take_version(said.get("BagIt-Version"), faults)
            self._take_encoding(said.get("Tag-File-Character-Encoding"), faults)
        if self._version >= (1, 0):
            _refuse_spaced_labels(lines, fields, faults)
        known = ("BagIt-Version", "Tag-File-Character-Encoding")
        for number, field in enumerate(fields):
            if number > 1 or field.label not in known:
                faults.add(field.line, f"'{shown(field.label)}' has no place here")
        self._malformed += faults.all()

    def _declaration_lines(self, faults: Faults) -> Iterator[Line]:
        for line in self._raw_lines(BAGIT_TXT, "UTF-8"):
            if line.text.startswith(MARK):
                faults.add(line.number, "starts with a byte-order mark, which it must not")
            yield line._replace(text=line.text.removeprefix(MARK))
            if line.number == 100:
                faults.add(line.number, "has too many lines; the rest was not read")
                return

    def _take_version(self, field: Field | None, faults: Faults) -> None:
        found = _VERSION.fullmatch(field.value) if field else None
        if field is None or found is None:
            faults.add(field.line if field else 0, "has no BagIt-Version of the form M.N; it was read as 1.0")
            return
        self._version = (int(found[1]), int(found[2]))
        if not _OLDEST <= self._version <= _NEWEST:
            faults.add(field.line, f"BagIt-Version {field.value} is not one that this program knows")

    def _take_encoding(self, field: Field | None, faults: Faults) -> None:
        if field is None:
            faults.add(0, "has no Tag-File-Character-Encoding; UTF-8 was taken")
        elif is_encoding(field.value):
            self._encoding = field.value
        else:
            faults.add(field.line, f"'{shown(field.value)}' is not an encoding; UTF-8 was taken")

    @property
    def _info_name(self) -> str:
        return PACKAGE_INFO if self._version < (0, 96) else BAG_INFO

    def info(self) -> list[Field]:
        """Read bag-info.txt, which was package-info.txt before 0.96."""
        faults = Faults(self._info_name)
        fields = read_fields(self._lines(self._info_name), faults)
        self._malformed += faults.all()
        return fields

    def oxum(self, fields: Sequence[Field]) -> Oxum | None:
        """Return the first Payload-Oxum; labels are compared without case (RFC 8493, section 2.2.2)."""
        field = next((one for one in fields if one.label.lower() == "payload-oxum"), None)
        if field is None:
            return None
        found = _OXUM.fullmatch(field.value)
        if found is None:
            reason = f"Payload-Oxum '{shown(field.value)}' is not 'bytes.files'"
            self._malformed.append(Malformed(self._info_name, field.line, reason))
            return None
        return Oxum(int(found[1]), int(found[2]))

    def _manifest(self, name: str) -> Manifest:
        faults = Faults(name)
        manifest = read_manifest(name, self._lines(name), self._version, faults)
        self._malformed += faults.all()
        return manifest

    def _fetch(self, manifests: Sequence[Manifest]) -> dict[str, str]:
        faults = Faults(FETCH)
        fetchable = read_fetch(self._lines(FETCH), self._version, manifests, faults)
        self._malformed += faults.all()
        return dict(fetchable)

    def _journal(self) -> Manifest | None:
        if not (self._folder / JOURNAL).is_file():
            return None
        faults = Faults(JOURNAL)
        journal = read_journal(self._journal_lines(), faults)
        self._malformed += faults.all()
        return journal

    def _journal_lines(self) -> Iterator[bytes]:
        try:
            with io.BufferedReader(open_ordinary(real_file(self._folder, JOURNAL))) as file:
                yield from bounded_lines(file, self._of_payload)
        except ListTooLarge:
            self._malformed.append(Malformed(JOURNAL, 0, TOO_LARGE))
        except OSError as error:
            self._could_not_read(JOURNAL, error)

    # What all of them say together

    def _completeness(
        self,
        names: Sequence[str],
        manifests: Sequence[Manifest],
        tag_manifests: Sequence[Manifest],
        journal: Manifest | None,
    ) -> None:
        """Record what every bag must have and this one lacks (RFC 8493, section 3)."""
        if journal is None and self._unreadable == []:
            needed = {BAGIT_TXT: BAGIT_TXT in names, PAYLOAD: (self._folder / PAYLOAD).is_dir()}
            needed["a payload manifest"] = bool(manifests)
            for what, there in needed.items():
                if not there:
                    self._malformed.append(Malformed(what, 0, "is not there, and every bag has one"))
        if self._version >= (1, 0):
            self._tag_manifests_list_all(manifests, tag_manifests)

    def _tag_manifests_list_all(
        self, manifests: Sequence[Manifest], tag_manifests: Sequence[Manifest]
    ) -> None:
        for tag_manifest in tag_manifests:
            for manifest in manifests:
                if manifest.name not in tag_manifest.digests:
                    reason = f"does not list {shown(manifest.name)}, as it must"
                    self._malformed.append(Malformed(tag_manifest.name, 0, reason))

    # Reading

    def _lines(self, name: str) -> Iterator[Line]:
        return without_mark(self._raw_lines(name, self._encoding))

    def _raw_lines(self, name: str, encoding: str) -> Iterator[Line]:
        """Yield a tag file's lines; none where it is missing or cannot be read."""
        try:
            allowance = self._of_payload if name == FETCH or _is_payload_manifest(name) else self._of_tags
            file = io.BufferedReader(open_ordinary(real_file(self._folder, name)), 1 << 16)
            yield from tag_lines(file, encoding, allowance.takes)
        except FileNotFoundError:
            return
        except OSError as error:
            self._could_not_read(name, error)

    def _could_not_read(self, name: str, error: OSError) -> None:
        self._unreadable.append(Finding(FindingKind.UNREADABLE, error.strerror or str(error), name))
