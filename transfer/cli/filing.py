"""One run of `file`, shown."""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path

from manifests.findings import Finding
from transfer.bounded import run_bounded
from transfer.cli.options import records_folder, say
from transfer.cli.progress import Progress
from transfer.cli.screen import columns_of, screen_of
from transfer.cli.signals import stop_on_signals
from transfer.cli.telling import worth_a_look
from transfer.config import Config
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ExitCode, NightferryError
from transfer.jobs.file.account import DeliveryResult, Sum
from transfer.jobs.file.ending import lines_of_each
from transfer.jobs.file.outcome import FileOutcome
from transfer.jobs.file.run import FileRequest, FileRun
from transfer.stop import Stop
from transfer.words import size_told

_WIDTH = 78
_MEASURED_AFTER = (ExitCode.PROVEN, ExitCode.SOMETHING_UNPROVEN)
# Whoever waits for `file` is not to wait for the measures of years.
_MOST_MEASURING_S = 600.0
_MEASURE_LATER = "nightferry index --measures"
_MEASURING = "All of this is done. Now new frames are measured; Ctrl-C ends only that."
_PLACES_SHOWN = 60
_NAMES_SHOWN = 20


def file_it(
    config: Config,
    request: FileRequest,
    print_json: Callable[[dict[str, object]], None] | None,
    each_finding: bool,
    measures: bool,
) -> int:
    """Run it, show the result, measure what is new where that is wanted, and return the exit code."""
    stop = Stop()
    stop_on_signals(stop)
    with Progress(shown=print_json is None) as progress:
        around = Surroundings(this_computer(), Records(records_folder(config)), stop, progress)
        run = FileRun(config, request, around)
        outcome, hangs = run_bounded(run.run, run.outcome, stop)
    if print_json is not None:
        print_json(outcome.as_json())
    else:
        _tell(outcome, each_finding)
    if hangs:
        say("A disk does not answer any more: the run ended without it.", err=True)
        sys.stdout.flush()
        os._exit(int(outcome.exit_code))
    if measures and outcome.filed and outcome.exit_code in _MEASURED_AFTER:
        _measure(Path(outcome.archive_folder), stop, shown=print_json is None)
    return int(outcome.exit_code)


def _measure(root: Path, stop: Stop, shown: bool) -> None:
    """Measure frames once all is filed and told: nothing that happens here changes what the run came to."""
    from manifests.frames.measures.measuring import can_measure
    from transfer.jobs.measures.run import measure_archive

    if not can_measure():
        return
    sys.stdout.flush()
    if shown and sys.stderr.isatty():
        say(_MEASURING, err=True)
    try:
        with Progress(shown=shown) as progress:
            measured = measure_archive(root, lambda: stop.why, progress, most_s=_MOST_MEASURING_S)
    except NightferryError as error:
        say(f"Filed, but not measured: {error}", err=True)
        return
    if shown and measured.measured + measured.left:
        rest = f" The rest: {_MEASURE_LATER}" if measured.left else ""
        say("\n".join(_wrapped([f"{measured.message}{rest}"])))


def _tell(outcome: FileOutcome, each_finding: bool) -> None:
    screen = screen_of(sys.stdout)
    told = bool(outcome.deliveries or outcome.findings)
    lines = (
        list(_lines(outcome, each_finding))
        if told
        else [outcome.message, *([outcome.next_step] if outcome.next_step else [])]
    )
    text = "\n".join(screen.clean(line) for line in _wrapped(lines))
    say(text if told else f"nightferry file: {text}", err=not told)


def _wrapped(lines: list[str]) -> Iterator[str]:
    """Break sentences that are too long for a page; a line of a table begins with spaces and stays whole."""
    for line in lines:
        if columns_of(line) <= _WIDTH or line.startswith("   "):
            yield line
            continue
        indent = " " * (len(line) - len(line.lstrip()))
        yield from textwrap.wrap(
            line,
            _WIDTH,
            subsequent_indent=f"{indent}  " if indent else "",
            break_long_words=False,
            break_on_hyphens=False,
        )


def _lines(outcome: FileOutcome, each_finding: bool) -> Iterator[str]:
    yield from lines_of_each(outcome.archives, outcome.absent) if outcome.archives else [outcome.message]
    several = len(outcome.archives) > 1
    for archive in outcome.archives:
        for result in archive.deliveries:
            yield from _delivery(result, outcome, f", into {archive.name}" if several else "")
    yield from _places(outcome)
    yield from _names(outcome)
    yield from _findings(outcome.all_findings(), each_finding)
    if outcome.next_step:
        yield ""
        yield outcome.next_step


def _delivery(result: DeliveryResult, outcome: FileOutcome, into: str) -> Iterator[str]:
    counts = {
        "filed": result.filed,
        "would be filed": result.would_be_filed,
        "already there": result.already_there,
        "not filed": result.refused,
    }
    told = ", ".join(f"{count:,} {what}" for what, count in counts.items() if count) or "no files"
    yield f"  {result.delivery.label}{into}: {told}{_acknowledged(result, outcome)}"


def _acknowledged(result: DeliveryResult, outcome: FileOutcome) -> str:
    if result.acknowledged:
        return "; acknowledged on the drive"
    if result.unanswered:
        return "; in the archive, but the acknowledgement could not be written onto the drive"
    may_be_acknowledged = result.delivery.drive_id is not None and not outcome.dry_run
    return "; not acknowledged" if may_be_acknowledged and result.refused + len(result.faults) else ""


def _places(outcome: FileOutcome) -> Iterator[str]:
    sums = outcome.archives[0].sums() if outcome.archives else {}
    if not sums:
        return
    yield ""
    yield f"{'Where it would go' if outcome.dry_run else 'Where it is'}, below {outcome.archive_folder}"
    for where, each in list(sums.items())[:_PLACES_SHOWN]:
        yield f"   {each.files:>6,}  {_hours(each):>9}  {size_told(each.size_bytes):>9}  {where}"
    if len(sums) > _PLACES_SHOWN:
        yield f"   and {len(sums) - _PLACES_SHOWN:,} places more: --json lists every file"


def _hours(each: Sum) -> str:
    return f"{each.exposure_s / 3600:.2f} h" if each.exposure_s else ""


def _names(outcome: FileOutcome) -> Iterator[str]:
    if not outcome.readings:
        return
    yield ""
    yield "Names"
    for written, reading in sorted(outcome.readings.items())[:_NAMES_SHOWN]:
        yield f"  {written!r} is {reading.canonical!r}: {reading.how}"
    if len(outcome.readings) > _NAMES_SHOWN:
        yield f"  and {len(outcome.readings) - _NAMES_SHOWN:,} more: --json lists all"


def _findings(findings: list[Finding], each_finding: bool) -> Iterator[str]:
    if findings:
        yield ""
        yield f"Worth a look ({len(findings)})"
        yield from worth_a_look(findings, each=each_finding, before="  ")
