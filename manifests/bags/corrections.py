"""A person's corrections of a frame: statements in the frame's bag, by the frame's content."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

from manifests.bags.statements import Statement

CORRECTION = "correction"
LONGEST_REASON = 2000  # characters


@dataclass(frozen=True, slots=True)
class Words:
    """What a person says of frames, in their own spelling; None where they say nothing of it.

    `as_headers_say` takes back all that was said before. `gone`: the file was deleted or moved by hand.
    """

    target: str | None = None
    filter: str | None = None
    frame_type: str | None = None
    night: date | None = None
    in_use: bool | None = None
    as_headers_say: bool = False
    gone: bool = False
    because: str = ""

    def after(self, before: Words) -> Words:
        """Return what holds once these words were said after others."""
        if self.as_headers_say:
            return Words()
        return Words(
            target=self.target if self.target is not None else before.target,
            filter=self.filter if self.filter is not None else before.filter,
            frame_type=self.frame_type if self.frame_type is not None else before.frame_type,
            night=self.night or before.night,
            in_use=self.in_use if self.in_use is not None else before.in_use,
            because=self.because or before.because,
        )

    def as_facts(self) -> dict[str, Any]:
        """Return what was said in a form that JSON can hold."""
        facts: dict[str, Any] = {
            "target": self.target,
            "filter": self.filter,
            "type": self.frame_type,
            "night": self.night.isoformat() if self.night else None,
            "in_use": self.in_use,
            "as_headers_say": self.as_headers_say or None,
            "gone": self.gone or None,
            "because": self.because or None,
        }
        return {name: value for name, value in facts.items() if value is not None}


@dataclass(frozen=True, slots=True)
class Correction:
    """What was said of the frame with a content (SHA-256, hexadecimal), and when.

    `was` is what the archive had before: path, target, filter, type and night, as far as it had them.
    """

    sha256: str
    words: Words
    said_utc: datetime
    was: Mapping[str, str] = field(default_factory=dict)

    def as_statement(self) -> Statement:
        """Return the correction as the frame's bag keeps it."""
        facts = {"sha256": self.sha256, **self.words.as_facts(), "was": dict(self.was)}
        return Statement(CORRECTION, self.said_utc, facts)


def correction_of(statement: Statement) -> Correction | None:
    """Return the correction that a statement is; None where another program wrote something else there."""
    facts, was = statement.facts, statement.facts.get("was", {})
    try:
        night = facts.get("night")
        words = Words(
            target=_text(facts, "target"),
            filter=_text(facts, "filter"),
            frame_type=_text(facts, "type"),
            night=None if night is None else date.fromisoformat(night),
            in_use=None if facts.get("in_use") is None else facts["in_use"] is True,
            as_headers_say=facts.get("as_headers_say") is True,
            gone=facts.get("gone") is True,
            because=_text(facts, "because") or "",
        )
        kept = {str(name): str(value) for name, value in was.items()}
        return Correction(str(facts["sha256"]), words, statement.said_utc, kept)
    except (KeyError, TypeError, ValueError, AttributeError):
        return None


def _text(facts: Mapping[str, Any], name: str) -> str | None:
    value = facts.get(name)
    if value is not None and not isinstance(value, str):
        raise TypeError(f"{name} is no text")
    return value


@dataclass(frozen=True, slots=True)
class Said:
    """All that was said of one frame, in order."""

    corrections: tuple[Correction, ...] = ()

    @property
    def in_force(self) -> Words:
        """What holds now."""
        words = Words()
        for correction in self.corrections:
            words = correction.words.after(words)
        return replace(words, gone=False)

    @property
    def first_night(self) -> date | None:
        """The night under which the frame was filed; None where nothing was said of it."""
        try:
            return date.fromisoformat(self.corrections[0].was["night"]) if self.corrections else None
        except (KeyError, ValueError):
            return None


def said_of(statements: Iterable[Statement], contents: Iterable[str]) -> dict[str, Said]:
    """Return what was said of each of these contents, of which anything was said, in the order of time."""
    wanted = frozenset(contents)
    found: dict[str, list[Correction]] = {}
    for correction in filter(None, map(correction_of, statements)):
        if correction.sha256 in wanted:
            found.setdefault(correction.sha256, []).append(correction)
    return {sha256: Said(tuple(sorted(each, key=lambda one: one.said_utc))) for sha256, each in found.items()}
