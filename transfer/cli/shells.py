"""Completion for bash that takes names with spaces, as most targets have them."""

from __future__ import annotations

import os
import re

from click.shell_completion import BashComplete, CompletionItem, add_completion_class

# What bash would take for more than itself within a word.
_SPECIAL = re.compile(r"([^\w+\-.,:/@%=°])")


class QuotingBash(BashComplete):
    """Completes words as bash must read them: what was begun without a quote is quoted sign by sign."""

    def format_completion(self, item: CompletionItem[str]) -> str:
        """Give a completion as the script for bash takes it."""
        if self._began_with_a_quote():
            return super().format_completion(item)
        quoted = _SPECIAL.sub(r"\\\1", str(item.value))
        return f"{item.type},{quoted}"

    @staticmethod
    def _began_with_a_quote() -> bool:
        words = os.environ.get("COMP_WORDS", "").split("\n")
        at = int(os.environ.get("COMP_CWORD", "0"))
        return at < len(words) and words[at][:1] in ("'", '"')


add_completion_class(QuotingBash)
