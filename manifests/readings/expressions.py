r"""Regular expressions from a person's file, matched in bounded time.

Python's own `re` may take time exponential in the length of a line ("(a|aa)+$"). The package `regex` reads
the same syntax and stops at a time limit. An expression that reaches its limit several times is not tried
again, so that a hostile expression, or a hostile log, costs `TRIES` × `LIMIT_S` seconds at most.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import regex

LIMIT_S = 0.05
TRIES = 20
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
        self.slow = 0

    @property
    def given_up(self) -> bool:
        """Whether the limit was reached so often that the expression is not tried any more."""
        return self.slow >= TRIES

    def search(self, text: str) -> regex.Match[str] | None:
        """Return the first match in a text. Raises TooSlow at the time limit, and at once when given up."""
        if self.slow >= TRIES:
            raise TooSlow(self.pattern)
        try:
            return self._search(text, timeout=LIMIT_S)
        except TimeoutError as error:
            self.slow += 1
            raise TooSlow(self.pattern) from error
