"""Names compared by their spelling, and the user's own table of names."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

LONGEST_NAME = 200
"""A longer name (in characters) is cut, and ends in a digest of the whole, so that two stay two."""

_INVISIBLE = frozenset({"Cf", "Cs"})
"""Unicode categories left out of a name: format characters and lone surrogates."""

_BETWEEN_WORDS = re.compile(r"[\s_]+")


@dataclass(frozen=True, slots=True)
class Reading:
    """What a written name was read as.

    `whole` is true where nothing of what was written was left out. Only then does a user's name for it
    stand for the other spellings too.
    """

    canonical: str
    recognised: bool
    how: str
    whole: bool = True


def tidy(written: str | None) -> str:
    """Return a name without control characters, its words one space apart (`_` counts as a space).

    The characters are composed (Unicode NFC), so that one accented name is one name. Empty where
    nothing is left.
    """
    if not written:
        return ""
    # Most names are plain ASCII; skipping the character loop matters for a hundred thousand frames.
    plain = written.isascii() and written.isprintable()
    seen = written if plain else "".join(_visible(character) for character in written)
    name = _BETWEEN_WORDS.sub(" ", unicodedata.normalize("NFC", seen)).strip()
    if len(name) <= LONGEST_NAME:
        return name
    told_apart_by = hashlib.sha256(name.encode()).hexdigest()[:8]
    return f"{name[: LONGEST_NAME - 10].rstrip()} {told_apart_by}"


def _visible(character: str) -> str:
    category = unicodedata.category(character)
    if category == "Cc":
        return " "
    return "" if category in _INVISIBLE else character


def fold(name: str) -> str:
    """Return a key that is equal for names that differ only by case, width or spaces."""
    return "".join(unicodedata.normalize("NFKC", name).casefold().split())


def common_key(name: str) -> str:
    """Return a key for the spellings of a popular name: no case, spaces, punctuation, leading "the"."""
    words = name.casefold().replace("’", "").replace("'", "").split()
    kept = words[1:] if words[:1] == ["the"] else words
    return "".join(character for character in "".join(kept) if character.isalnum())


class Spellings:
    """Remembers the first spelling of each name; later ones that differ by case or spaces become it."""

    def __init__(self, known: Iterable[str] = ()) -> None:
        self._first: dict[str, str] = {}
        for name in known:
            self.first(name)

    def first(self, name: str) -> str:
        """Return the spelling in which this name was met first."""
        return self._first.setdefault(fold(name), name)


class OwnNames:
    """The user's own table: what is written → the name to use. It wins over everything else.

    `read` reads a name without the table: a row for one spelling ("NGC 598") then stands for all
    spellings that are read as the same ("M33"). The names in the table are names too: another spelling
    of one of them becomes it.
    """

    def __init__(self, additions: Mapping[str, str], read: Callable[[str], Reading]) -> None:
        self._read = read
        self._exact: dict[str, str] = {}
        self._written: dict[str, tuple[str, str]] = {}
        self._meant: dict[str, str] = {}
        rows = {tidy(written): tidy(name) for written, name in additions.items()}
        rows = {written: name for written, name in rows.items() if written and name}
        direct = {fold(written): name for written, name in rows.items()}
        for written, name in rows.items():
            self._add(written, _end_of_chain(name, direct), read)
        for name in list(self._exact.values()):
            self._add(name, name, read)

    def _add(self, written: str, name: str, read: Callable[[str], Reading]) -> None:
        self._exact.setdefault(written, name)
        self._written.setdefault(fold(written), (written, name))
        reading = read(written)
        if reading.whole:
            self._meant.setdefault(fold(reading.canonical), name)

    def for_written(self, text: str) -> str | None:
        """Return the user's name for exactly this text.

        Case and spaces make no difference, unless one letter is another thing in the other case: i is
        Sloan's filter, I Cousins'.
        """
        if text in self._exact:
            return self._exact[text]
        written, name = self._written.get(fold(text), ("", None))
        return None if name is None or self._differ(text, written) else name

    def _differ(self, text: str, written: str) -> bool:
        if len(text) != 1:
            return False
        one, other = self._read(text), self._read(written)
        return one.recognised and other.recognised and one.canonical != other.canonical

    def for_meant(self, canonical: str) -> str | None:
        """Return the user's name for what is otherwise called `canonical`."""
        return self._meant.get(fold(canonical))


def _end_of_chain(name: str, direct: Mapping[str, str]) -> str:
    seen: set[str] = set()
    while (key := fold(name)) in direct and key not in seen:
        seen.add(key)
        name = direct[key]
    return name
