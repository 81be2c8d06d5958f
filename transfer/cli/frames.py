"""`nightferry frames`: frames of the archive, found and listed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from transfer.archive.questions import browsed
from transfer.archive.typed_names import shown_names
from transfer.cli.archives import archive_options, chosen_archive, meant_by
from transfer.cli.formats.forms import Form, form_options, one_form
from transfer.cli.frame_lists import FrameList
from transfer.cli.options import ends_with_exit_code
from transfer.cli.selecting import Asked, frame_options
from transfer.cli.telling import NoteWriter, until_the_reader_goes


@click.command("frames")
@archive_options
@frame_options
@form_options
@ends_with_exit_code("frames", {"frames": [], "hours": 0.0})
def command(config_file: str | None, archive_folder: Path | None, as_json: bool, **options: Any) -> int:
    """Find frames in the archive and list them.

    Conditions add up: a frame fits all of them, and of several names any one. A fact that is not known fits
    no condition. Altitudes are the computed ones. A target brings its panels, unless one is named.

    The table fits the terminal (or $COLUMNS) by leaving out its less important columns and shortening names;
    into a pipe or a file it goes whole. --paths and --paths0 leave out frames that are absent, or
    were found damaged when they were last read.
    """
    form = one_form(as_json, **{each: options.pop(each) for each in Form if each in options})
    asked, chosen, notes = Asked(**options), chosen_archive(config_file, archive_folder), NoteWriter()
    with until_the_reader_goes(), browsed(chosen.root, notes) as archive:
        query = asked.query(meant_by(asked.typed, archive, chosen.own, notes))
        shown = archive.ask(lambda index: shown_names(index, chosen.own))
        return int(FrameList(archive, query, notes, shown).write(form))
