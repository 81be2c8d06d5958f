"""A person's verdict on a night, as a statement in the night's bag."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from manifests.bags.statements import Statement

VERDICT = "verdict"
LONGEST_REASON = 2000  # characters


class Verdict(StrEnum):
    """How a night went, by the person's judgement."""

    GOOD = "good"
    POOR = "poor"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class NightVerdict:
    """A verdict on a night, why (or nothing), and when it was said."""

    night: date
    verdict: Verdict
    because: str
    said_utc: datetime

    def as_statement(self) -> Statement:
        """Return the verdict as the night's bag keeps it."""
        facts = {"night": self.night.isoformat(), "verdict": self.verdict.value}
        because = {"because": self.because} if self.because else {}
        return Statement(VERDICT, self.said_utc, {**facts, **because})


def verdict_of(statement: Statement) -> NightVerdict | None:
    """Return the verdict that a statement is; None where another program wrote something else there."""
    facts = statement.facts
    try:
        night, verdict = date.fromisoformat(facts["night"]), Verdict(facts["verdict"])
    except (KeyError, TypeError, ValueError):
        return None
    because = facts.get("because", "")
    return NightVerdict(night, verdict, because if isinstance(because, str) else "", statement.said_utc)


def newest(verdicts: Iterable[NightVerdict]) -> dict[date, NightVerdict]:
    """Return what holds now: of each night the verdict that was said last."""
    held: dict[date, NightVerdict] = {}
    for each in verdicts:
        if each.night not in held or each.said_utc >= held[each.night].said_utc:
            held[each.night] = each
    return held
