"""Completion for bash that takes names with spaces, as most targets have them."""

from __future__ import annotations

import os
import re
from typing import Any

from click.shell_completion import BashComplete, CompletionItem, add_completion_class

# What bash may take for more than itself within a word.
_SPECIAL = re.compile(r"([^\w+\-.,:/@%=°])")


class QuotingBash(BashComplete):
    """Completes words as bash must read them: one that was begun without a quote is quoted sign by sign."""

    def format_completion(self, item: CompletionItem[Any]) -> str:
        """Give a completion as the script for bash takes it."""
        if _began_with_a_quote():
            return super().format_completion(item)
        # A `read` without -r, as click's script has it, takes one of two backslashes away.
        before = r"\\" if "read -r" in self.source_template else r"\\\\"
        quoted = _SPECIAL.sub(rf"{before}\1", str(item.value))
        return f"{item.type},{quoted}"


def _began_with_a_quote() -> bool:
    words = os.environ.get("COMP_WORDS", "").split("\n")
    at = int(os.environ.get("COMP_CWORD", "0"))
    return at < len(words) and words[at][:1] in ("'", '"')


add_completion_class(QuotingBash)
