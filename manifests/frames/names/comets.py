"""Comets: the forms of the Minor Planet Center, with or without the discoverers' names, become one name."""

from __future__ import annotations

import re

# As the IAU's resolution on cometary designations (Minor Planet Circular 23803, 1994) has it: P/ periodic, C/
# not, X/ without an orbit, D/ lost, A/ a minor planet after all, I/ interstellar; year, half-month (I and Z
# are left out), order of discovery; a number before P, D or I once it is certain; a fragment's letter behind.
_PROVISIONAL = re.compile(
    r"(?P<comet>comet\s+)?(?P<kind>[CPDXAI])\s?[/ -]?\s?(?P<year>[0-9]{3,4})\s?"
    r"(?P<half>[A-HJ-Y][A-Z]?)(?P<order>[0-9]{1,3})(?:-(?P<part>[A-Z]{1,2}))?(?P<rest>$|[\s(/].*)",
    re.IGNORECASE,
)
_NUMBERED = re.compile(
    r"(?P<comet>comet\s+)?(?P<number>[1-9][0-9]{0,3})(?P<kind>[PDI])(?:-(?P<part>[A-Z]{1,2})(?![a-z]))?"
    r"(?P<rest>$|[\s(/-].*)",
    re.IGNORECASE,
)
# A discoverer's name begins with a capital; of several comets of one discoverer it has a number.
_NAME = re.compile(
    r"(?:['’]?[^\W\d_a-z][\w.'’]*|[0-9]{1,2})(?:[-/ ]+(?:['’]?[^\W\d_a-z][\w.'’]*|[0-9]{1,2}))*"
)
_FRAGMENT = re.compile(r"-([A-Z]{1,2})$")


def comet_name(text: str) -> tuple[str, str] | None:
    """Return a comet's designation in its one style ("12P", "C/2023 A3"), and the words left out for it.

    None where a tidied text is no comet's designation, or has more to it than a designation, a
    discoverer's name and the word "comet".
    """
    if found := _PROVISIONAL.fullmatch(text):
        name = f"{found['kind']}/{found['year']} {found['half']}{found['order']}".upper()
    elif (found := _NUMBERED.fullmatch(text)) and _is_a_comets(found):
        name = f"{found['number']}{found['kind']}".upper()
    else:
        return None
    rest = re.sub(r"[()]", "", found["rest"]).strip(" /-")
    if rest and not (_NAME.fullmatch(rest) or found["rest"].startswith("/")):
        return None
    part = found["part"] or "".join(_FRAGMENT.findall(rest))
    left_out = f"{found['comet'] or ''}{rest}".strip()
    return (f"{name}-{part.upper()}" if part else name), left_out


def _is_a_comets(found: re.Match[str]) -> bool:
    """Return whether a number with P, D or I is meant: "3D" and "3i" alone may be anything."""
    alone = not (found["comet"] or found["rest"].startswith("/"))
    return found["kind"] in "Pp" or not alone or (found["kind"] == "I" and not found["rest"])
