"""The job: thumbnails of the archive's lights, then a page for each target, each night, and the start."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from manifests.findings import Finding, FindingKind
from manifests.index.holdings import lights_there
from transfer.archive.questions import Browsed
from transfer.errors import ConfigurationError, ExitCode
from transfer.events import Event
from transfer.page.building import Building, PageRequest, go_on
from transfer.page.thumbnails import ThumbnailsMade, Wanted, make_thumbnails
from transfer.page.writing import START, page_failure, page_folder
from transfer.stop import Stop
from transfer.words import counted


@dataclass(frozen=True, slots=True)
class PageOutcome:
    """The result: the start page, how many pages there are and were written, and the thumbnails.

    `frames` counts the lights that have a card.
    """

    start: Path
    pages: int
    written: int
    thumbnails: ThumbnailsMade
    frames: int
    findings: tuple[Finding, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """Return the exit code: not 0 where a bag's own lists are not whole, or a frame cannot be read."""
        return ExitCode.SOMETHING_UNPROVEN if self.findings else ExitCode.PROVEN

    @property
    def message(self) -> str:
        """Return the result in one line."""
        made, kept, left = self.thumbnails.made, self.thumbnails.kept, len(self.thumbnails.left)
        return (
            f"{counted(self.pages, 'page')} ({self.written:,} written), {counted(self.frames, 'frame')};"
            f" thumbnails: {made:,} made, {kept:,} kept{f', {left:,} could not be made now' if left else ''}."
        )

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        return {
            "command": "page",
            "exit": int(self.exit_code),
            "message": self.message,
            "page": str(self.start),
            "pages": self.pages,
            "pages_written": self.written,
            "thumbnails_made": self.thumbnails.made,
            "thumbnails_kept": self.thumbnails.kept,
            "frames": self.frames,
            "findings": [finding.as_json() for finding in self.findings],
        }


def make_page(
    archive: Browsed, request: PageRequest, stop: Stop, listen: Callable[[Event], None]
) -> PageOutcome:
    """Make the pages of an archive that is open for questions.

    Raises ConfigurationError, NightferryError where the folder cannot be written, and StoppedEarly: what
    thumbnails were made then stay, and the old page with them.
    """
    _require_libraries()
    folder = page_folder(archive.root, request.out)
    try:
        made = make_thumbnails(_wanted(archive), folder, stop, listen)
        go_on(stop, folder)
        building = Building(archive, request, folder, stop, listen)
        try:
            building.build()
        except BaseException:
            building.writer.abandon()
            raise
    except OSError as error:
        raise page_failure(error, folder, is_beside_index=request.out is None) from error
    return PageOutcome(
        folder / START,
        building.pages,
        building.writer.written,
        made,
        building.frames,
        (*archive.findings, *_left(archive.root, made)),
    )


def _left(root: Path, made: ThumbnailsMade) -> list[Finding]:
    return [
        Finding(FindingKind.UNREADABLE, why, (one.bag / one.path).relative_to(root).as_posix())
        for one, why in made.left
    ]


def _require_libraries() -> None:
    if any(find_spec(name) is None for name in ("jinja2", "PIL")):
        step = "Install it with: pip install 'nightferry[page]'"
        raise ConfigurationError("Pages need nightferry's optional group page", next_step=step)


def _wanted(archive: Browsed) -> list[Wanted]:
    return [
        Wanted(one.sha256, archive.root / one.bag, one.path, one.size_bytes)
        for one in lights_there(archive.index)
    ]
