"""Glob patterns below a folder, compiled, and what nearly matches them."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from manifests.frames.endings import FITS_ENDINGS

_ENDING = re.compile(r"(?:\.(?:fits|fit|fts))?\.[A-Za-z0-9]{1,8}\Z", re.IGNORECASE)
_ALIKE = 0.6  # of two endings: ".csv" and ".cvs" are, ".csv" and ".log" are not


class PatternError(ValueError):
    """A pattern that can match nothing below a folder; its text says why."""


class Patterns:
    r"""Some glob patterns: a path matches when one of them does.

    `*` is any run of characters of a name, `?` any one, `[abc]`, `[a-c]` and `[!abc]` one of a set, a
    component `**` any folders, or none; `/` and `\` both separate. A pattern that ends in a separator
    means everything below that folder.

    Upper and lower case are always the same, because cameras and file systems disagree about them
    (FITS and fits are one ending), and so are a letter and its decomposed form.

    Time grows with the path's length and no faster: a choice that was made is never taken back
    (atomic groups), which globs allow because each part may take the first place that fits.

    Raises PatternError.
    """

    def __init__(self, patterns: Iterable[str]) -> None:
        split = [_components(pattern) for pattern in patterns]
        self._everything = ["**"] in split or ["**", "*"] in split
        # Most patterns are "**/*.fits"; a walk is several times faster where that is no expression.
        self._endings = tuple(ending for parts in split if (ending := _only_an_ending(parts)))
        self._match = _matcher(parts for parts in split if not _only_an_ending(parts))
        self._match_folder = _matcher(parts[:-1] for parts in split if parts[-1] == "**")

    def match(self, path: str) -> bool:
        """Return whether a file matches, by its path below the folder, with `/`."""
        if self._everything or path.lower().endswith(self._endings):
            return True
        return self._match is not None and self._match(_comparable(path)) is not None

    def match_all_below(self, folder: str) -> bool:
        """Return whether a pattern says that everything below this folder matches."""
        if self._everything or self._match_folder is None:
            return self._everything
        return self._match_folder(_comparable(folder)) is not None


@dataclass(frozen=True, slots=True)
class NearMiss:
    """A pattern that matched nothing, and the one it may have been meant to be.

    `instead` would match `count` of the files that are there; `example` is the first of them.
    """

    pattern: str
    instead: str
    count: int
    example: str


def near_misses(patterns: Iterable[str], paths: Iterable[str]) -> tuple[NearMiss, ...]:
    """Return, for each pattern that none of the paths matches, the nearest pattern that some do.

    Nearest is: the same in subfolders, the same with an ending that is there (`.fit` for `.fits`),
    then the pattern's last part wherever it lies. Raises PatternError.
    """
    seen = list(paths)
    missed = [pattern for pattern in patterns if not any(map(Patterns([pattern]).match, seen))]
    return tuple(near for pattern in missed if (near := _near_miss(pattern, seen)))


def _near_miss(pattern: str, seen: list[str]) -> NearMiss | None:
    for instead in _variants(pattern, seen):
        matched = [path for path in seen if Patterns([instead]).match(path)]
        if matched:
            return NearMiss(pattern, instead, len(matched), min(matched))
    return None


def _variants(pattern: str, seen: list[str]) -> Iterator[str]:
    """Return the patterns that one may have been meant to be, the likeliest first."""
    parts = _components(pattern)
    spelled = "/".join(parts)
    deeper = spelled if parts[0] == "**" else f"**/{spelled}"
    last = f"**/{parts[-1]}"
    yield deeper
    written = _ending(pattern)
    for ending in _endings_like(written, seen):
        yield from (form.removesuffix(written) + ending for form in (spelled, deeper, last))
    if parts[-1] not in ("*", "**"):
        yield last


def _endings_like(written: str, seen: list[str]) -> list[str]:
    """Return the endings that are there and resemble the one that was written, the commonest first."""
    there = Counter(_ending(path).lower() for path in seen)
    return [ending for ending, _ in there.most_common() if ending and _alike(ending, written.lower())]


def _alike(ending: str, written: str) -> bool:
    if ending == written or not written:
        return False
    both_fits = ending in FITS_ENDINGS and written in FITS_ENDINGS
    if both_fits:
        return True
    from difflib import SequenceMatcher  # for what matched nothing: no other run need load it

    return SequenceMatcher(None, ending[1:], written[1:]).ratio() >= _ALIKE


def _ending(path: str) -> str:
    found = _ENDING.search(path)
    return found[0] if found else ""


def _comparable(path: str) -> str:
    return path if path.isascii() else unicodedata.normalize("NFC", path)


def _components(pattern: str) -> list[str]:
    """Split a pattern at its separators; empty and `.` components say nothing."""
    slashed = unicodedata.normalize("NFC", pattern).replace("\\", "/")
    if slashed.startswith("/") or re.match(r"[A-Za-z]:(?:/|\Z)", slashed):
        raise PatternError("is an absolute path, and patterns are relative to the source's folder")
    parts = [part for part in slashed.split("/") if part not in ("", ".")]
    if not parts:
        raise PatternError("is empty")
    if ".." in parts:
        raise PatternError("leaves the folder by '..'")
    if slashed.endswith("/"):
        parts.append("**")
    return [part for before, part in zip(["", *parts], parts, strict=False) if (before, part) != ("**", "**")]


def _only_an_ending(parts: list[str]) -> str:
    """Return the ending that is all a pattern asks for, in lower case, or nothing where it asks for more."""
    ending = parts[-1][1:]
    plain = ending.isascii() and not set("*?[").intersection(ending)
    return ending.lower() if plain and parts[0] == "**" and len(parts) == 2 and parts[1][0] == "*" else ""


def _matcher(split_patterns: Iterable[list[str]]) -> Callable[[str], re.Match[str] | None] | None:
    regex = "|".join(map(_path_regex, split_patterns))
    return re.compile(regex, re.IGNORECASE).fullmatch if regex else None


def _path_regex(parts: list[str]) -> str:
    """Return the regular expression of a whole path: what lies between two `**` is found once, leftmost."""
    head, *rest = _between_stars(parts)
    if not rest:
        return "/".join(head)
    *middles, last = rest
    start = "".join(f"{part}/" for part in head)
    found = "".join("(?>(?:[^/]*+/)*?" + "".join(f"{part}/" for part in middle) + ")" for middle in middles)
    end = "(?:[^/]*+/)*" + "/".join(last) if last else r"[\s\S]+"
    return start + found + end


def _between_stars(parts: list[str]) -> list[list[str]]:
    runs: list[list[str]] = [[]]
    for part in parts:
        if part == "**":
            runs.append([])
        else:
            runs[-1].append(_name_regex(part))
    return runs


def _name_regex(part: str) -> str:
    """Return the regular expression of one component, each piece between two `*` found once, leftmost."""
    head, *rest = _pieces(part)
    if not rest:
        return head
    *middles, last = rest
    found = "".join(f"(?>[^/]*?{middle})" for middle in middles if middle)
    end = f"(?>[^/]*{last}(?![^/]))" if last else "[^/]*+"
    return head + found + end


def _pieces(part: str) -> list[str]:
    pieces = [""]
    rest = part
    while rest:
        regex, rest = _next_token(rest)
        if regex is None:
            pieces.append("")
        else:
            pieces[-1] += regex
    return pieces


def _next_token(rest: str) -> tuple[str | None, str]:
    """Read one token: its regular expression (None for `*`) and what follows it."""
    first, after = rest[0], rest[1:]
    if first == "*":
        return None, after
    if first == "?":
        return "[^/]", after
    # As in a shell, a bracket that is never closed is itself, and `]` may be the set's first member.
    closed = re.match(r"\[(!?)(\]?[^\]]*)\]", rest) if first == "[" else None
    if closed is None or not closed[2]:
        return re.escape(first), after
    return _set_regex(closed[2], excluded=bool(closed[1])), rest[closed.end() :]


def _set_regex(members: str, *, excluded: bool) -> str:
    regex = ""
    while members:
        spread = re.match(r"(.)-(.)", members, re.DOTALL)
        if spread and spread[1] > spread[2]:
            raise PatternError(f"has the range {spread[0]}, which runs backwards")
        if spread:
            regex += f"{re.escape(spread[1])}-{re.escape(spread[2])}"
        else:
            regex += re.escape(members[0])
        members = members[3 if spread else 1 :]
    return f"[^/{regex}]" if excluded else f"[{regex}]"
