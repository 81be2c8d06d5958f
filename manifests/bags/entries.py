"""An entry: all that is known about one file of a bag, one JSON line each."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from manifests.bags.digests import Digests
from manifests.bags.list_sizes import ListTooLarge
from manifests.bags.tag_lines import TOO_LARGE, what_is_wrong
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame
from manifests.frames.frame_sky import FrameSky
from manifests.frames.usable import usable_frame, usable_text

_MOST_NS = 2**63 - 1  # as systems keep it: about 292 years


class EntryError(ValueError):
    """A line that is not an entry; `line` is its number, counted from 1."""

    def __init__(self, line: int, reason: str) -> None:
        super().__init__(f"line {line}: {reason}")
        self.line = line
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Entry:
    """One file of a bag.

    `path` is the file's path in the bag (`data/…`, with `/`). `source` and `original` say where it
    came from: the source's name and the path below the source's folder, in the source's spelling.
    Times are nanoseconds since 1970, as the source had them; `created_ns` only where its file
    system keeps one. `growing` marks a file whose writer was not done: the next run reads it again.
    `read_back` says what the copy was compared from: "medium" or "perhaps memory".

    Filing adds its decisions, so that no later step repeats them: `target` and `filter` are the one
    name each has, `sky` what was computed for the frame. `drive` is the id of the drive it came by. Where a
    person has amended the frame, what they said stands in place of what the header says; `in_use` is False
    for a frame that they do not want to be counted or processed.
    """

    path: str
    size_bytes: int
    digests: Digests
    modified_ns: int
    source: str
    original: str
    night: date
    created_ns: int | None = None
    growing: bool = False
    read_back: str = ""
    frame: Frame | None = None
    target: str | None = None
    filter: str | None = None
    sky: FrameSky | None = None
    drive: str | None = None
    in_use: bool = True
    findings: tuple[Finding, ...] = ()

    def at(self, path: str, *findings: Finding) -> Entry:
        """Return the same file's entry at another path, with further findings."""
        return replace(self, path=path, findings=(*self.findings, *findings))

    @property
    def is_amended(self) -> bool:
        """Whether a person's word stands in it."""
        return not self.in_use or any(finding.kind is FindingKind.AMENDED for finding in self.findings)

    def as_json(self) -> dict[str, Any]:
        """Return the entry in the form of its JSON line."""
        line: dict[str, Any] = {
            "path": self.path,
            "size_bytes": self.size_bytes,
            "sha256": self.digests.sha256,
            "xxh128": self.digests.xxh128,
            "modified_ns": self.modified_ns,
            "source": self.source,
            "original": self.original,
            "night": self.night.isoformat(),
        }
        optional = {
            "created_ns": self.created_ns,
            "growing": self.growing or None,
            "read_back": self.read_back or None,
            "frame": self.frame.as_facts() if self.frame else None,
            "target": self.target,
            "filter": self.filter,
            "sky": (self.sky.as_facts() or None) if self.sky else None,
            "drive": self.drive,
            "in_use": None if self.in_use else False,
            "findings": [{"finding": f.kind.value, "detail": f.detail} for f in self.findings] or None,
        }
        return line | {name: value for name, value in optional.items() if value is not None}


def entry_from_json(line: dict[str, Any]) -> Entry:
    """Make an entry from its JSON form. A value that no list can show is left out, which is a finding.

    Raises KeyError, TypeError, ValueError, AttributeError or OverflowError where a key is missing or of
    another kind.
    """
    sky = line.get("sky")
    frame, unusable = _frame(line.get("frame"))
    target, no_target = usable_text("target", _optional_text(line, "target"))
    filter_, no_filter = usable_text("filter", _optional_text(line, "filter"))
    return Entry(
        path=str(line["path"]),
        size_bytes=int(line["size_bytes"]),
        digests=Digests(str(line["sha256"]), str(line["xxh128"])),
        modified_ns=time_ns(line["modified_ns"]),
        source=str(line["source"]),
        original=str(line["original"]),
        night=date.fromisoformat(line["night"]),
        created_ns=None if line.get("created_ns") is None else time_ns(line["created_ns"]),
        growing=bool(line.get("growing", False)),
        read_back=str(line.get("read_back", "")),
        frame=frame,
        target=target,
        filter=filter_,
        sky=None if sky is None else FrameSky.from_facts(sky),
        drive=_optional_text(line, "drive"),
        in_use=line.get("in_use") is not False,
        findings=(
            *(Finding(FindingKind(one["finding"]), str(one["detail"])) for one in line.get("findings", ())),
            *unusable,
            *no_target,
            *no_filter,
        ),
    )


def _frame(facts: dict[str, Any] | None) -> tuple[Frame | None, tuple[Finding, ...]]:
    return (None, ()) if facts is None else usable_frame(Frame.from_facts(facts))


def time_ns(written: Any) -> int:
    """Return a time in nanoseconds since 1970. Raises ValueError for one that no file system can keep."""
    time = int(written)
    if not -_MOST_NS <= time <= _MOST_NS:
        raise ValueError("not the time of a file")
    return time


def _optional_text(line: dict[str, Any], key: str) -> str | None:
    return None if line.get(key) is None else str(line[key])


def entry_line(entry: Entry) -> bytes:
    """Return the entry as one line of `entries.jsonl`, its line end included.

    Only ASCII: names that are not Unicode at their source keep their bytes as lone surrogates.
    """
    return json.dumps(entry.as_json(), separators=(",", ":")).encode("ascii") + b"\n"


def entry_from_line(line: bytes) -> Entry:
    """Read one line of a list of entries. Raises ValueError, whatever is wrong with it."""
    try:
        return entry_from_json(json.loads(line))
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError) as error:
        raise ValueError(f"not an entry ({what_is_wrong(error)})") from error


def read_entries(lines: Iterable[bytes]) -> Iterator[Entry]:
    """Read the lines of an `entries.jsonl`, in order.

    Raises EntryError at the first line that is not an entry, and where `lines` raises ListTooLarge: a list
    with a hole proves nothing.
    """
    numbered, number = iter(lines), 0
    while True:
        number += 1
        try:
            line = next(numbered, None)
            entry = None if line is None else entry_from_line(line)
        except ListTooLarge as error:
            raise EntryError(number, TOO_LARGE) from error
        except ValueError as error:
            raise EntryError(number, str(error)) from error
        if entry is None:
            return
        yield entry
