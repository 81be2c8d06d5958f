"""What shells complete, in words that they read as the name and never as a command.

The names are headers' own words: one may hold quotes, back ticks and `$(…)`. zsh and fish quote what they are
given for the place where it goes; bash inserts it as it is. Tried in bash 5.2, zsh 5.9 and fish 3.6.
"""

from __future__ import annotations

import os
import re
from typing import Any

from click.shell_completion import BashComplete, CompletionItem, FishComplete, add_completion_class

# What bash may take for more than itself in a word without quotes: each such sign gets a backslash.
_SPECIAL = re.compile(r"([^\w+\-.,:/@%=°])")
# What it takes for more than itself within quotes; a backslash does not help everywhere.
_ALIVE_IN_QUOTES = {'"': frozenset('"$`\\!'), "'": frozenset("'")}
_QUOTING_SHELLS = ("bash", "zsh", "fish")
_NEEDS_NO_QUOTES = re.compile(r"[\w.+\-]+")

# Arrays and a `read` that leaves backslashes alone: nothing is split, expanded or looked up as a pattern.
_BASH = """\
%(complete_func)s() {
    local response line
    COMPREPLY=()
    response=$(IFS=$'\\n'; env COMP_WORDS="${COMP_WORDS[*]}" COMP_CWORD="$COMP_CWORD" \\
        %(complete_var)s=bash_complete "$1")
    while IFS= read -r line; do
        case ${line%%%%,*} in
            dir) compopt -o dirnames ;;
            file) compopt -o default ;;
            plain) COMPREPLY+=("${line#*,}") ;;
        esac
    done <<< "$response"
    return 0
}

complete -o nosort -F %(complete_func)s %(prog_name)s
"""

# A name may hold a comma.
_FISH = """\
function %(complete_func)s
    set -l response (env %(complete_var)s=fish_complete COMP_WORDS=(commandline -cp) \\
        COMP_CWORD=(commandline -t) %(prog_name)s)
    for completion in $response
        set -l metadata (string split --max 1 "," -- $completion)
        switch $metadata[1]
            case dir
                __fish_complete_directories $metadata[2]
            case file
                __fish_complete_path $metadata[2]
            case plain
                printf '%%s\\n' $metadata[2]
        end
    end
end

complete --no-files --command %(prog_name)s --arguments "(%(complete_func)s)"
"""


def can_be_offered(name: str) -> bool:
    """Return whether a name may be given to the shell that asks, which reads it as this name.

    The variable that click's scripts set names the shell.
    """
    shell = os.environ.get("_NIGHTFERRY_COMPLETE", "").partition("_")[0]
    if not name.isprintable():  # it could act on the terminal
        return False
    if shell == "bash":
        return not set(name) & _ALIVE_IN_QUOTES.get(_begun_quote(), frozenset())
    return shell in (*_QUOTING_SHELLS, "") or _NEEDS_NO_QUOTES.fullmatch(name) is not None


class QuotingBash(BashComplete):
    """Completes words as bash must read them: one that was begun without a quote is quoted sign by sign."""

    source_template = _BASH

    def format_completion(self, item: CompletionItem[Any]) -> str:
        """Return a completion as the script for bash takes it."""
        value = str(item.value)
        return f"{item.type},{value if _begun_quote() else _SPECIAL.sub(_backslashed, value)}"


class WholeFish(FishComplete):
    """Completes whole names, commas included."""

    source_template = _FISH


def _backslashed(sign: re.Match[str]) -> str:
    return f"\\{sign[1]}"


def _begun_quote() -> str:
    """Return the quote that the word to be completed in bash begins with; empty without one."""
    words = os.environ.get("COMP_WORDS", "").split("\n")
    at = int(os.environ.get("COMP_CWORD", "0"))
    begins = words[at][:1] if at < len(words) else ""
    return begins if begins in _ALIVE_IN_QUOTES else ""


add_completion_class(QuotingBash)
add_completion_class(WholeFish)
