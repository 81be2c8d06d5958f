r"""Regular expressions from a person's file, matched in bounded time.

Python's own `re` may take time exponential in the length of a line ("(a|aa)+$"). The package `regex` reads
the same syntax and stops at a time limit. An expression that reaches its limit several times is not tried
again, nor is one that stays below the limit and yet takes over `LONGEST_S` seconds for a file, and more than
`SLOW_S` for each text: a hostile expression, or a hostile log, costs about that much time at most.
"""

from __future__ import annotations

from time import perf_counter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import regex

LIMIT_S = 0.05
TRIES = 20
# An ordinary expression takes a few microseconds for a line, on any computer far less than this.
SLOW_S = 0.001
LONGEST_S = 60.0
LONGEST_EXPRESSION = 1000


class TooSlow(Exception):
    """An expression that did not come to an end on a text in the time allowed."""


class Expression:
    """One regular expression with a time limit. Raises ValueError for one that cannot be compiled."""

    def __init__(self, pattern: str) -> None:
        import regex  # loaded only where logs are read

        if len(pattern) > LONGEST_EXPRESSION:
            raise ValueError(f"is longer than {LONGEST_EXPRESSION} characters")
        try:
            self._search = regex.compile(pattern).search
        except (regex.error, RecursionError, OverflowError) as error:
            raise ValueError(str(error)) from error
        self.pattern = pattern
        self.groups = tuple(regex.compile(pattern).groupindex)
        self.given_up = False
        self._reached = self._texts = 0
        self._took_s = 0.0

    def search(self, text: str) -> regex.Match[str] | None:
        """Return the first match in a text. Raises TooSlow at the time limit, and at once when given up.

        An expression is given up for good when it has reached the limit often, or taken long in all.
        """
        if self.given_up:
            raise TooSlow(self.pattern)
        begun_s = perf_counter()
        try:
            return self._search(text, timeout=LIMIT_S)
        except TimeoutError as error:
            self._reached += 1
            raise TooSlow(self.pattern) from error
        finally:
            self._texts += 1
            self._took_s += perf_counter() - begun_s
            if self._reached >= TRIES or self._took_s > max(LONGEST_S, SLOW_S * self._texts):
                self.given_up = True
