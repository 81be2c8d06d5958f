"""`nightferry amend`: what the person says of frames, and where these lie then."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from manifests.frames.frame import FrameType
from transfer.archive.questions import browsed
from transfer.cli.archives import Chosen, archive_options, chosen_archive, meant_by
from transfer.cli.completion import complete_filters, complete_from, complete_targets
from transfer.cli.options import (
    WRITTEN_PATH,
    ends_with_exit_code,
    print_json,
    records_folder,
    say,
    user_folder,
)
from transfer.cli.progress import Progress
from transfer.cli.screen import screen_of
from transfer.cli.selecting import Asked, amended_frame_options
from transfer.cli.signals import stop_on_signals
from transfer.cli.telling import NoteWriter, worth_a_look
from transfer.cli.written_nights import NIGHT_HELP, Night
from transfer.config import Config
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError
from transfer.stop import Stop

if TYPE_CHECKING:
    from manifests.bags.corrections import Words
    from transfer.jobs.amend.choosing import Choice
    from transfer.jobs.amend.outcome import AmendOutcome

_MOVES_SHOWN = 20


@click.command("amend")
@click.argument("paths", nargs=-1, metavar="[FRAME]...", type=WRITTEN_PATH)
@click.option(
    "--target",
    metavar="NAME",
    shell_complete=complete_targets,
    help="They are of this target, in any spelling.",
)
@click.option(
    "--filter", "filter_", metavar="NAME", shell_complete=complete_filters, help="Through this filter."
)
@click.option(
    "--type",
    "frame_type",
    metavar="TYPE",
    shell_complete=complete_from(list(FrameType)),
    help='light, dark, flat, bias or dark flat; "master dark" and the like for what was made of several.',
)
@click.option("--night", "said_night", type=Night(), metavar="NIGHT", help=f"Of this night: {NIGHT_HELP}.")
@click.option("--use", type=click.Choice(["no", "yes"]), help="no: keep them out of hours and gather.")
@click.option("--because", default="", metavar="TEXT", help="Why, in your words.")
@click.option("--as-headers-say", is_flag=True, help="Take back all that was said of them.")
@click.option(
    "--gone", is_flag=True, help="You deleted or moved these files by hand: have their bags say so."
)
@click.option("--all", "everything", is_flag=True, help="Every frame that was never amended.")
@click.option("--dry-run", is_flag=True, help="Show what would become of them; write nothing.")
@amended_frame_options
@archive_options
@ends_with_exit_code("amend", {"frames": [], "amended": 0, "moved": 0})
def command(
    config_file: str | None,
    archive_folder: Path | None,
    as_json: bool,
    paths: tuple[Path, ...],
    dry_run: bool,
    everything: bool,
    **options: Any,
) -> int:
    """Correct what headers say of frames in the archive: your word counts in every list and in gather.

    FRAME is a frame's path, or a folder's; instead, the options of `frames` choose, those for target, filter,
    type and night with --of- before them. Frames themselves are never changed: the correction is kept in
    their bag, and each is moved to its right place with its proof. Nothing that was said is lost.
    """
    from transfer.jobs.amend.run import AmendRequest, AmendRun  # slow to load: `amend --help` does without

    words = _words(**{each: options.pop(each) for each in _SAID})
    chosen = chosen_archive(config_file, archive_folder)
    choice = _choice(
        paths, everything, words, Asked(**options, order="time", descending=False, limit=None), chosen
    )
    config = chosen.config or Config(file=Path())
    records = Records(user_folder() / "records" if chosen.config is None else records_folder(config))
    stop = Stop()
    stop_on_signals(stop)
    with Progress(shown=not as_json) as progress:
        around = Surroundings(this_computer(), records, stop, progress)
        outcome = AmendRun(chosen.root, config, AmendRequest(words, choice, dry_run), around).run()
    if as_json:
        print_json(outcome.as_json())
    else:
        screen = screen_of(sys.stdout)
        for line in _lines(outcome):
            say(screen.clean(line))
    return int(outcome.exit_code)


_SAID = ("target", "filter_", "frame_type", "said_night", "use", "because", "as_headers_say", "gone")


def _words(
    target: str | None,
    filter_: str | None,
    frame_type: str | None,
    said_night: date | None,
    use: str | None,
    because: str,
    as_headers_say: bool,
    gone: bool,
) -> Words:
    """Return what is said of the frames. Raises ConfigurationError where nothing is, or no sense is in it."""
    from manifests.bags.corrections import Words

    in_use = None if use is None else use == "yes"
    words = Words(target, filter_, frame_type, said_night, in_use, as_headers_say, gone, because)
    corrected = words.after(Words(because=because)) != Words(because=because)
    said = [as_headers_say, gone, corrected and not as_headers_say]
    if not any(said):
        step = "Say it with --target, --filter, --type, --night, --use, --as-headers-say or --gone."
        raise ConfigurationError("Nothing is said of the frames", next_step=step)
    if sum(said) > 1 or (as_headers_say and Words(*_corrections(words)) != Words()):
        raise ConfigurationError("--as-headers-say and --gone go with no correction, nor with each other")
    return words


def _corrections(words: Words) -> tuple[Any, ...]:
    return words.target, words.filter, words.frame_type, words.night, words.in_use


def _choice(paths: tuple[Path, ...], everything: bool, words: Words, asked: Asked, chosen: Chosen) -> Choice:
    """Return which frames are meant. Raises NightferryError, also where that is not clear."""
    from transfer.jobs.amend.choosing import Choice

    ways = [bool(paths), everything, asked.asks_anything]
    if sum(ways) != 1:
        happened = "Frames are chosen in one way" if any(ways) else "No frame is named"
        step = "Name paths, or choose by --of-target, --of-night and the like, or say --all."
        raise ConfigurationError(happened, next_step=step)
    if everything and not words.as_headers_say:
        raise ConfigurationError("--all goes with --as-headers-say only: choose the frames that you mean")
    if words.gone and not paths:
        raise ConfigurationError(
            "--gone is said of paths", next_step="nightferry check lists what is missing."
        )
    if not asked.asks_anything:
        return Choice(paths)
    notes = NoteWriter()
    with browsed(chosen.root, notes) as archive:
        return Choice(query=asked.query(meant_by(asked.typed, archive, chosen.own, notes)))


def _lines(outcome: AmendOutcome) -> Iterator[str]:
    yield outcome.message
    folders = Counter((_folder(frame.path), _folder(frame.to)) for frame in outcome.moved)
    for (old, new), count in sorted(folders.items())[:_MOVES_SHOWN]:
        yield f"  {count:,} from {old} to {new}"
    if len(folders) > _MOVES_SHOWN:
        yield f"  and {len(folders) - _MOVES_SHOWN:,} folders more: --json lists every frame"
    found = [*outcome.refused, *outcome.findings]
    if found:
        yield f"Worth a look ({len(found)})"
        yield from worth_a_look(found, see="--json", before="  ")
    if outcome.next_step:
        yield outcome.next_step


def _folder(path: str) -> str:
    return path.rpartition("/")[0]
