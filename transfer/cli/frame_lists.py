"""A list of frames written in one of its forms, and the exit code that it ends with."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, BinaryIO

from manifests.index.frame_query import FrameQuery, Total
from manifests.index.names import ShownNames
from transfer.cli.formats.forms import Form
from transfer.cli.formats.listing import Listing, told
from transfer.cli.screen import screen_of
from transfer.cli.telling import NoteWriter, write_lines
from transfer.errors import ExitCode, NightferryError
from transfer.words import counted

if TYPE_CHECKING:
    from transfer.archive.questions import Browsed


class FrameList:
    """The frames that a question finds, to be written once."""

    def __init__(self, archive: Browsed, query: FrameQuery, notes: NoteWriter, shown: ShownNames) -> None:
        self._archive = archive
        self._query = query
        self._notes = notes
        self._listing = Listing(archive.root, archive.frames(query, shown))

    def write(self, form: Form) -> ExitCode:
        """Write the list on standard output. Raises NightferryError."""
        if form is Form.JSON:
            return self._write_json()
        if form is Form.TABLE:
            self._write_table()
            all_told = True
        else:
            sys.stdout.flush()
            all_told = self._write_for_programs(form, sys.stdout.buffer)
        self._notes.say_findings(self._archive.findings)
        return self._exit_code(all_told)

    def _write_table(self) -> None:
        from transfer.cli.formats.text_list import frame_lines

        write_lines(frame_lines(self._listing, screen_of(sys.stdout)))
        write_lines([told(self._listing, self._found())])

    def _write_for_programs(self, form: Form, out: BinaryIO) -> bool:
        """Write a form for other programs, and return whether it has every frame that was found."""
        if form is Form.CSV:
            from transfer.cli.formats.csv_list import write_csv

            write_csv(self._listing, out)
        elif form is Form.ECSV:
            from transfer.cli.formats.ecsv import write_ecsv

            write_ecsv(self._listing, out)
        elif form is Form.VOTABLE:
            from transfer.cli.formats.votable import write_votable

            write_votable(self._listing, out)
        else:
            return self._write_paths(b"\0" if form is Form.PATHS0 else b"\n", out)
        return True

    def _write_paths(self, end: bytes, out: BinaryIO) -> bool:
        from transfer.cli.formats.path_list import write_paths

        left_out = write_paths(self._listing, out, end)
        if self._listing.absent:
            self._notes.say(f"Left out: {counted(self._listing.absent, 'frame')} not there now.")
        if self._listing.damaged:
            frames = counted(self._listing.damaged, "frame")
            self._notes.say(f"Left out: {frames} found damaged when last read; nightferry heal mends that.")
        for path in left_out:
            self._notes.say(
                f"Left out: {path} has signs in its name that are not shown as they are; --paths0 takes it."
            )
        return not (left_out or self._listing.absent or self._listing.damaged)

    def _write_json(self) -> ExitCode:
        from transfer.cli.formats.json_list import write_json

        code = self._exit_code(all_told=True)

        def ending(error: NightferryError | None) -> Mapping[str, Any]:
            nonlocal code
            if error is not None:
                code = error.exit_code
                return self._ending(code, str(error), self._listing.listed)
            found = self._found()
            return self._ending(code, told(self._listing, found), found)

        write_json(self._listing, sys.stdout, ending)
        return code

    def _ending(self, code: ExitCode, message: str, found: Total) -> Mapping[str, Any]:
        return {
            "exit": int(code),
            "message": message,
            "frames_found": found.frames,
            "hours_found": found.hours,
            "notes": self._notes.said,
            "findings": [finding.as_json() for finding in self._archive.findings],
        }

    def _found(self) -> Total:
        """Return the total of all frames that fit, of which a limit may have cut off a part."""
        if self._query.limit != self._listing.listed.frames:
            return self._listing.listed
        from manifests.index.frames import total

        return self._archive.ask(lambda index: total(index, self._query))

    def _exit_code(self, all_told: bool) -> ExitCode:
        return ExitCode.PROVEN if all_told and not self._archive.findings else ExitCode.SOMETHING_UNPROVEN
