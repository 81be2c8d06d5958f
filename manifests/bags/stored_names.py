"""Maps source paths to stored paths that every system and every reader of bags accepts."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

import xxhash

# Room is left for a number and a temporary ending: file systems end at 255.
LONGEST_NAME = 240

# Line ends and controls of every kind, and %, break the lines of manifests: RFC 8493 encodes some,
# readers disagree about all. The rest is what Windows forbids, and what is no Unicode at all.
_FORBIDDEN = re.compile('[\\x00-\\x1f\\x7f-\\x9f\u2028\u2029%"*:<>?\\\\|\ud800-\udfff\ufffe\uffff/]')
# `~` is a home to a shell (RFC 8493, 5.1.2); `._` is a companion file to macOS and to readers of bags.
_FORBIDDEN_START = re.compile(r"\A(?:~|\._)")
# Windows drops dots and spaces at a name's end; readers strip every kind of white space from a line's.
_FORBIDDEN_END = re.compile(r"(?<![.\s])[.\s]+\Z")
# Microsoft, "Naming files, paths, and namespaces": devices, whatever the ending.
_DEVICE = re.compile(r"(?:CON|PRN|AUX|NUL|CONIN\$|CONOUT\$|(?:COM|LPT)[1-9¹²³]) *(?:\.|\Z)", re.IGNORECASE)
# An ending is kept whole when a name is numbered or shortened: `.fits`, `.fits.gz`.
_PACKED = r"(?:\.\w{1,8}(?=\.(?:gz|fz|xz|bz2|zst|zip)\Z))?"
_ENDING = re.compile(rf"(?<=.){_PACKED}\.\w{{1,8}}\Z", re.IGNORECASE | re.ASCII)


def portable_path(path: str) -> str:
    """Return the path (with `/`) under which a file can be stored everywhere.

    In each component, characters that some system or reader of bags rejects become `_`; letters are composed
    (NFC); a name too long is cut, keeping its ending and eight digits of its XXH3-64 to keep it
    unique. A path that needs no change is unchanged, and the result needs none.
    """
    return "/".join(map(_portable_name, path.lstrip("/").split("/")))


def _portable_name(name: str) -> str:
    stored = _FORBIDDEN.sub("_", unicodedata.normalize("NFC", name))
    stored = _FORBIDDEN_START.sub(_blanks, stored)
    stored = _FORBIDDEN_END.sub(_blanks, stored) or "_"
    if _DEVICE.match(stored):
        stored = f"_{stored}"
    return stored if _length(stored) <= LONGEST_NAME else _shortened(stored, name)


def _blanks(found: re.Match[str]) -> str:
    return "_" * len(found[0])


def _length(name: str) -> int:
    """Return a name's greatest length: in UTF-8, or in UTF-16 with its letters decomposed (HFS+)."""
    if name.isascii():
        return len(name)
    decomposed = unicodedata.normalize("NFD", name)
    return max(len(name.encode()), len(decomposed.encode("utf-16-le")) // 2)


def _shortened(stored: str, original: str) -> str:
    stem, ending = _stem_and_ending(stored)
    mark = xxhash.xxh3_64_hexdigest(original.encode("utf-8", "surrogatepass"))[:8]
    room = LONGEST_NAME - len(f"~{mark}{ending}")
    kept = 0
    for character in stem:
        room -= _length(character)
        if room < 0:
            break
        kept += 1
    return f"{stem[:kept]}~{mark}{ending}"


def _stem_and_ending(name: str) -> tuple[str, str]:
    found = _ENDING.search(name)
    return (name[: found.start()], found[0]) if found else (name, "")


def same_name_key(path: str) -> str:
    """Return a key that is equal for paths that some file system treats as one.

    Canonical caseless matching (The Unicode Standard, definition D145).
    """
    if path.isascii():
        return path.lower()
    return unicodedata.normalize("NFD", unicodedata.normalize("NFD", path).casefold())


class NameBook:
    """The names in use in one bag; assigns each new file a name of its own.

    No two stored paths are equal where case and normal form do not count, no file has the path of
    another's folder, and a folder has one spelling, the first. The same claims in the same order give
    the same names. `taken` are paths that are stored already; they stay as they are.
    """

    def __init__(self, taken: Iterable[str] = ()) -> None:
        self._files: set[str] = set()
        self._folder_spelled: dict[str, str] = {"": ""}
        self._folder_of: dict[str, str] = {"": ""}
        self._next_number: dict[str, int] = {}
        for path in taken:
            self._files.add(same_name_key(path))
            self._know_folders_of(path)

    def claim(self, path: str) -> str:
        """Return a portable, unused stored path for a source's path, and reserve it."""
        folder, _, name = path.lstrip("/").rpartition("/")
        wanted = _joined(self._stored_folder(folder), _portable_name(name))
        return self._keep(wanted if self._is_free(wanted) else self._numbered(wanted))

    def alternative(self, path: str) -> str:
        """Return and reserve another path beside a stored one, for other content under its name."""
        return self._keep(self._numbered(path))

    def _keep(self, stored: str) -> str:
        self._files.add(same_name_key(stored))
        return stored

    def _is_free(self, stored: str) -> bool:
        key = same_name_key(stored)
        return key not in self._files and key not in self._folder_spelled

    def _numbered(self, stored: str) -> str:
        """Return the first free of `name (2).fits`, `name (3).fits`, …, continuing from the last call."""
        key = same_name_key(stored)
        number = self._next_number.get(key, 2)
        while not self._is_free(_with_number(stored, number)):
            number += 1
        self._next_number[key] = number + 1
        return _with_number(stored, number)

    def _know_folders_of(self, stored: str) -> None:
        folder = stored.rpartition("/")[0]
        while folder not in self._folder_of:
            self._folder_of[folder] = self._folder_spelled.setdefault(same_name_key(folder), folder)
            folder = folder.rpartition("/")[0]

    def _stored_folder(self, folder: str) -> str:
        """Return the stored spelling of a source's folder. No recursion: trees can be very deep."""
        unknown: list[str] = []
        known = folder
        while known not in self._folder_of:
            known, _, name = known.rpartition("/")
            unknown.append(name)
        stored = self._folder_of[known]
        for name in reversed(unknown):
            known = f"{known}/{name}" if known else name
            stored = self._folder_of[known] = self._new_folder(_joined(stored, _portable_name(name)))
        return stored

    def _new_folder(self, wanted: str) -> str:
        """Return a folder's first spelling, or a numbered name where a file has its path."""
        spelled, number = wanted, 2
        while same_name_key(spelled) in self._files:
            spelled, number = _with_number(wanted, number), number + 1
        return self._folder_spelled.setdefault(same_name_key(spelled), spelled)


def _joined(folder: str, name: str) -> str:
    return f"{folder}/{name}" if folder else name


def _with_number(stored: str, number: int) -> str:
    folder, _, name = stored.rpartition("/")
    stem, ending = _stem_and_ending(name)
    return _joined(folder, f"{stem} ({number}){ending}")
