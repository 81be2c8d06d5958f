"""An archive's acknowledgement: the file in a night's bag that says which of its files the archive has."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple

from manifests.bags.acknowledgement_keys import Key, with_signatures

_FORMAT = 1
_SHA256 = re.compile("[0-9a-f]{64}")


class AcknowledgementError(ValueError):
    """The content is not an acknowledgement; the text says why."""


class AcknowledgedFile(NamedTuple):
    """A file that the archive has: its path in the bag on the drive, and `to`, its place in the archive.

    `source` and `original` are the name of the source that it came from, and its path there.
    `read_back_utc` is when the archive's copy was last read back and was equal; None where that is not known.
    """

    path: str
    sha256: str
    size_bytes: int
    source: str
    original: str
    to: str
    read_back_utc: datetime | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the file as the acknowledgement lists it."""
        facts = {name: value for name, value in self._asdict().items() if value is not None}
        if self.read_back_utc is not None:
            facts["read_back_utc"] = self.read_back_utc.astimezone(UTC).isoformat(timespec="seconds")
        return facts


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """What an archive (its id, its name for people) says of one bag, and when it said so (aware).

    `manifest_sha256` is the SHA-256 of the manifest that it speaks of. `stands` are those of all manifests
    that the archive has acknowledged so far and still has every file of; None where it does not say.
    """

    archive_id: str
    archive_name: str
    acknowledged: datetime
    manifest_sha256: str
    files: tuple[AcknowledgedFile, ...]
    stands: frozenset[str] | None = None

    def says_the_same_as(self, other: Acknowledgement) -> bool:
        """Return whether both are of the same files of the same manifest, in the same places."""
        own, others = ({file._replace(read_back_utc=None) for file in each.files} for each in (self, other))
        return self.manifest_sha256 == other.manifest_sha256 and own == others

    def leaves_out(self, manifest_lines: Iterable[bytes]) -> int:
        """Return how many lines of the bag's manifest the acknowledgement does not cover."""
        covered = {f"{file.sha256}  {file.path}\n".encode() for file in self.files}
        return sum(line not in covered for line in manifest_lines)


def acknowledgement_content(acknowledgement: Acknowledgement, keys: Iterable[Key] = ()) -> bytes:
    """Return the content of an acknowledgement's file, signed with each of the keys."""
    document: dict[str, Any] = {
        "format": _FORMAT,
        "archive": {"id": acknowledgement.archive_id, "name": acknowledgement.archive_name},
        "acknowledged": acknowledgement.acknowledged.astimezone(UTC).isoformat(timespec="seconds"),
        "manifest_sha256": acknowledgement.manifest_sha256,
        "files": [file.as_json() for file in sorted(acknowledgement.files, key=lambda file: file.path)],
    }
    if acknowledgement.stands is not None:
        document["stands"] = sorted(acknowledgement.stands)
    return json.dumps(with_signatures(document, keys), indent=1).encode("ascii") + b"\n"


def read_acknowledgement(content: bytes) -> Acknowledgement:
    """Return the acknowledgement that a file's content is.

    Anybody may have written what lies on a drive: every value has its type, and keys that are not known are
    passed over. Raises AcknowledgementError.
    """
    try:
        document = json.loads(content)
        _require_known(document["format"])
        return Acknowledgement(
            archive_id=_text(document["archive"]["id"]),
            archive_name=_text(document["archive"]["name"]),
            acknowledged=_moment(document["acknowledged"]),
            manifest_sha256=_digest(document["manifest_sha256"]),
            files=tuple(map(_file, document["files"])),
            stands=frozenset(map(_digest, document["stands"])) if "stands" in document else None,
        )
    except AcknowledgementError:
        raise
    except KeyError as error:
        raise AcknowledgementError(f"it has no {error}") from error
    except (ValueError, TypeError, RecursionError) as error:
        raise AcknowledgementError(f"it cannot be read ({error})") from error


def _require_known(written: object) -> None:
    if written != _FORMAT:
        raise AcknowledgementError(f"its format is {written!r}, and {_FORMAT} is known")


def _file(facts: dict[str, Any]) -> AcknowledgedFile:
    size_bytes = facts["size_bytes"]
    if type(size_bytes) is not int or size_bytes < 0:
        raise AcknowledgementError(f"not a size: {size_bytes!r}")
    return AcknowledgedFile(
        path=_text(facts["path"]),
        sha256=_digest(facts["sha256"]),
        size_bytes=size_bytes,
        source=_text(facts["source"]),
        original=_text(facts["original"]),
        to=_text(facts["to"]),
        read_back_utc=None if "read_back_utc" not in facts else _moment(facts["read_back_utc"]),
    )


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise AcknowledgementError(f"not a text: {value!r}")
    return value


def _moment(value: object) -> datetime:
    moment = datetime.fromisoformat(_text(value))
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _digest(value: object) -> str:
    digest = _text(value)
    if _SHA256.fullmatch(digest) is None:
        raise AcknowledgementError(f"not a SHA-256: {digest[:80]!r}")
    return digest
