"""A description of a log, proposed by looking at the file: text to be read, never put into use by itself."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from manifests.frames.nights import night_of_ns
from manifests.readings.description import Form
from manifests.readings.proposing import LOOKED_AT_BYTES, Proposal, propose
from manifests.readings.units import unit_shown
from transfer.errors import ConfigurationError, ExitCode
from transfer.words import counted


@dataclass(frozen=True, slots=True)
class ProposalOutcome:
    """What was proposed for a file; `proposal` is None where nothing in it looks like a time."""

    file: Path
    proposal: Proposal | None

    @property
    def exit_code(self) -> ExitCode:
        """1 where there is nothing to propose."""
        return ExitCode.PROVEN if self.proposal is not None else ExitCode.SOMETHING_UNPROVEN

    @property
    def message(self) -> str:
        """Return the result in one line."""
        if self.proposal is None:
            return (
                f"Nothing in {self.file} looks like a time in a table, in JSON or at the beginning of lines:"
                " describe it by hand."
            )
        account = self.proposal.account
        given = counted(account.readings, "reading")
        taken = counted(account.taken, "line")
        return f"Proposed for {self.file.name}: {given} in {taken} with a time, of those looked at."

    @property
    def text(self) -> str:
        """Return the description as nightferry.toml has it, or nothing."""
        return "" if self.proposal is None else "\n".join(_toml(self.file, self.proposal)) + "\n"

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        return {
            "command": "setup",
            "exit": int(self.exit_code),
            "message": self.message,
            "path": str(self.file),
            "proposal": self.text,
            "findings": [],
        }


def propose_for(file: Path) -> ProposalOutcome:
    """Look at a log and propose a description of it. Raises ConfigurationError where it cannot be read."""
    try:
        with file.open("rb") as opened:
            content = opened.read(LOOKED_AT_BYTES)
        night = night_of_ns(file.stat().st_mtime_ns, 0.0)
    except OSError as error:
        happened = f"The log cannot be read ({error.strerror or error})"
        raise ConfigurationError(happened, file, "Name a log that is there.") from error
    if len(content) == LOOKED_AT_BYTES:
        content = content[: content.rfind(b"\n") + 1] or content
    return ProposalOutcome(file, propose(content, file.name, night))


def _toml(file: Path, proposal: Proposal) -> Iterator[str]:
    described = proposal.description
    yield f"# Proposed for {file.name} by what is in it; names, units and zone are guesses. Look it through,"
    yield "# put it directly below the [[source]] that the file lies in, then: nightferry plan --logs"
    yield "[[source.logs]]"
    yield f"files = {_quoted(described.files)}"
    yield f"form = {_quoted(described.form.value)}"
    if described.line:
        yield f"line = {_quoted(described.line)}"
    yield f"time = {_quoted(str(described.time))}   # the first: {proposal.time_example}"
    if described.time_format:
        yield f"time_format = {_quoted(described.time_format)}"
    if described.zone:
        yield f"zone = {_quoted(described.zone)}"
    else:
        yield '# zone = "UTC"   # whose clock is it? Without this, the clock of the computer that reads it'
    if described.readings:
        yield "[source.logs.readings]"
        for reading, example in zip(described.readings, proposal.examples, strict=False):
            unit = f", unit = {_quoted(unit_shown(reading.unit))}" if reading.unit else ""
            at = f"{{ at = {_quoted(str(reading.at))}{unit} }}"
            yield f"{_quoted(reading.quantity)} = {at}   # the first: {example}"
    if described.form is Form.LINES:
        yield "[source.logs.events]"
        yield "# What to look for in the lines, each a regular expression:"
        yield "\"connection lost\" = 'lost (the )?connection|not responding'"


def _quoted(text: str) -> str:
    """Return a text as TOML takes it: in single quotes, where no backslash begins an escape, if it can be."""
    return f"'{text}'" if "\\" in text and "'" not in text else json.dumps(text, ensure_ascii=False)
