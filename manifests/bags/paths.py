"""The names of a bag's tag files, and how a manifest spells a path (RFC 8493)."""

from __future__ import annotations

import re
import unicodedata
from datetime import date

PAYLOAD = "data"

# RFC 8493, section 2: the tag files that BagIt defines. Ours are digested with SHA-256.
BAGIT_TXT = "bagit.txt"
BAG_INFO = "bag-info.txt"
PACKAGE_INFO = "package-info.txt"  # what bag-info.txt was called in versions 0.93 to 0.95
FETCH = "fetch.txt"
MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"
MANIFEST_NAME = re.compile(r"(tag)?manifest-(.+)\.txt")  # of any algorithm

# Our own tag files, and what the engine keeps in their folder while a run is not done.
OWN = "nightferry"
ENTRIES = f"{OWN}/entries.jsonl"
PAYLOAD_XXH128 = f"{OWN}/payload-xxh128.txt"
JOURNAL = f"{OWN}/journal.jsonl"
INCOMING = f"{OWN}/incoming"
SET_ASIDE = f"{OWN}/set-aside"
# The word of an archive, named by its id (a UUID), that it has what the bag has.
_ACKNOWLEDGEMENT = re.compile(rf"{OWN}/acknowledgement-[0-9a-f-]{{36}}\.json")
# What a person has said, one kind a file: see `statements`.
_SAID = re.compile(rf"{OWN}/said-[a-z]{{1,40}}\.jsonl")

# The file that makes a folder a drive to send to, and the name of a night's folder there from the moment at
# which it is let go: what a run that was cut off leaves in it is no damage.
DRIVE_MARK = "nightferry-drive.toml"
_BEING_LET_GO = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2}) \(being let go\)")

# A folder of pages beside the archive's index: thousands of small files and never a bag, so that no search
# for bags goes into it.
PAGE_FOLDER = "nightferry-page"

Version = tuple[int, int]

_ENCODED = re.compile(r"%(0[AaDd]|25)")
_ENCODED_LINE_BREAK = re.compile(r"%(0[AaDd])")


def acknowledgement_of(archive_id: str) -> str:
    """Return the path in a bag of an archive's acknowledgement."""
    return f"{OWN}/acknowledgement-{archive_id}.json"


def is_acknowledgement(path: str) -> bool:
    """Return whether a tag file is an acknowledgement."""
    return _ACKNOWLEDGEMENT.fullmatch(path) is not None


def said_in(kind: str) -> str:
    """Return the path in a bag of what a person has said of one kind ("verdict")."""
    return f"{OWN}/said-{kind}.jsonl"


def is_said(path: str) -> bool:
    """Return whether a tag file holds statements, of whatever kind."""
    return _SAID.fullmatch(path) is not None


def is_of_one_archive(path: str) -> bool:
    """Return whether a tag file holds what one archive knows of its own copies, which is true of no other."""
    return path in map(said_in, ("proven", "damaged", "healed"))


def being_let_go(night: date) -> str:
    """Return the name that a night's folder on a drive has while it is let go."""
    return f"{night.isoformat()} (being let go)"


def night_being_let_go(name: str) -> date | None:
    """Return the night that a folder of this name on a drive is of, if it is one that is being let go."""
    found = _BEING_LET_GO.fullmatch(name)
    try:
        return None if found is None else date.fromisoformat(found[1])
    except ValueError:
        return None


def outlives_lists(path: str) -> bool:
    """Return whether a tag file stays in its bag when the bag's lists are written anew.

    Acknowledgements and what a person has said: no list could bring them back.
    """
    return is_acknowledgement(path) or is_said(path)


def encode_path(path: str) -> str:
    """Spell a path as a manifest line holds it: CR, LF and % percent-encoded, and only those."""
    return path.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def decode_path(text: str, version: Version) -> str:
    """Read a path as a manifest of this BagIt version spells it.

    Since 1.0 the percent sign itself is encoded; before, only CR and LF were.
    """
    pattern = _ENCODED if version >= (1, 0) else _ENCODED_LINE_BREAK
    return pattern.sub(_character, text)


def other_spellings(text: str) -> tuple[str, ...]:
    """Return the paths that a text may stand for: many writers do not encode, whatever they claim."""
    return (_ENCODED.sub(_character, text), _ENCODED_LINE_BREAK.sub(_character, text), text)


def _character(code: re.Match[str]) -> str:
    return chr(int(code[1], 16))


def composed(path: str) -> str:
    """Return the path in Unicode normal form C: some file systems store names decomposed."""
    return path if path.isascii() else unicodedata.normalize("NFC", path)


def shown(text: str, longest: int = 200) -> str:
    """Return a text of unknown origin made printable, and cut to a length, for use in a message."""
    cut = text if len(text) <= longest else text[:longest] + "…"
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in cut)
