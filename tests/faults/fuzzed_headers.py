"""Headers that nobody would write, by the million: each is read, told truly and carried bit for bit."""

from __future__ import annotations

import os
import random
import resource
import signal
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime
from math import isfinite
from pathlib import Path

from manifests.bags.digests import Digests
from manifests.bags.entries import Entry, entry_line, read_entries
from manifests.findings import FindingKind
from manifests.frames.frame import Frame
from manifests.frames.inspection import Inspection, Inspector, look_at_header
from manifests.frames.nights import frame_night
from tests.faults import beside_astropy
from tests.faults.changed_headers import changed
from tests.faults.judge import Broken, bags_on, require, require_complete, require_ended, require_truth
from tests.faults.scene import Scene, prepare, room
from tests.faults.trials import Fault, Trial, telling
from transfer.archive.layout import place_of
from transfer.archive.naming import InUse, Namer, NameSources
from transfer.archive.skies import Skies

BATCH = 1_000
_ENDS_WITHIN_S = 30
_MEMORY_MB = 200
_SENT, _SENT_ONE_IN = 100, 10  # so many files of one batch in so many
_DIGESTS = Digests("0" * 64, "0" * 32)


class Hang(Exception):
    """A look at one small file that does not end."""


def try_batch(trial: Trial) -> None:
    """Look at a thousand frames; in one batch of ten send a hundred of them, too."""
    dice = trial.dice
    contents = [changed(dice) for _ in range(BATCH)]
    before_mb = _most_memory_mb()
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a library's warning would be printed on somebody's screen
        frames = [_judged(number, content, dice) for number, content in enumerate(contents)]
        _judge_skies([frame for frame in frames if frame is not None])
    grown_mb = _most_memory_mb() - before_mb
    require(grown_mb < _MEMORY_MB, f"memory grew by {grown_mb} MB")
    if trial.number % _SENT_ONE_IN == 0:
        _send(dice, contents[:_SENT])


def _judged(number: int, content: bytes, dice: random.Random) -> Frame | None:
    with _ending(), telling(f"the input {number} of the batch"):
        return judge(content, dice)


def judge(content: bytes, dice: random.Random) -> Frame | None:
    """Check what must be true of any content, and return the frame that it is read as."""
    inspection = _inspected(content, dice)
    _judge_inspection(inspection)
    if not dice.randrange(8):
        _judge_look(inspection, content)
    if inspection.frame is None:
        return None
    _judge_frame(inspection.frame)
    if not dice.randrange(4):
        _judge_entry(inspection, dice)
    if not dice.randrange(16):
        beside_astropy.compare(content, inspection.frame)
        _judge_names(inspection.frame)
    return inspection.frame


@contextmanager
def _ending() -> Iterator[None]:
    """End a look that does not end by itself, or a batch of them."""

    def hang(*_: object) -> None:
        raise Hang(f"not done after {_ENDS_WITHIN_S} s")

    before = signal.signal(signal.SIGALRM, hang)
    signal.alarm(_ENDS_WITHIN_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def _most_memory_mb() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def _inspected(content: bytes, dice: random.Random) -> Inspection:
    """Look at it as the copier does, in blocks of any size."""
    inspector = Inspector(expect_fits=True)
    size = dice.choice((1 << 20, 1 << 20, 1 << 20, 5_000, 2_881))
    for start in range(0, len(content), size):
        inspector.feed(content[start : start + size])
    return inspector.finish()


def _judge_inspection(inspection: Inspection) -> None:
    require(inspection.is_fits or inspection.frame is None, "a frame that is no FITS")
    require(inspection.is_fits or inspection.findings, "no FITS, and no finding says so")
    require(inspection.frame is not None or inspection.findings, "no frame, and no finding says so")
    for finding in inspection.findings:
        require(finding.detail.isprintable(), f"it says {finding.detail!r}")
        require(len(finding.detail) < 2_000, "a finding without end")


def _judge_look(inspection: Inspection, content: bytes) -> None:
    """Look at it as a survey does, which passes over the data: it has to see the same frame."""
    descriptor = os.memfd_create("frame")
    try:
        os.write(descriptor, content)
        looked = look_at_header(Path(f"/proc/self/fd/{descriptor}"))
    finally:
        os.close(descriptor)
    damaged = FindingKind.COMPRESSION_DAMAGED in {
        finding.kind for finding in (*inspection.findings, *looked.findings)
    }
    if not damaged:
        require(looked.is_fits == inspection.is_fits, "FITS to one look, and not to the other")
        require(looked.frame == inspection.frame, f"another frame by its header: {looked.frame}")
        require(looked.date_only == inspection.date_only, "a date alone to one look")


def _judge_frame(frame: Frame) -> None:
    for name in Frame.__slots__:
        value = getattr(frame, name)
        if isinstance(value, float):
            require(isfinite(value), f"{name} is {value}")
        elif isinstance(value, str):
            require(value.isprintable() and value == value.strip() and value, f"{name} is {value!r}")
        else:
            require(value is None or isinstance(value, int | datetime), f"{name} is {value!r}")
    for name in ("exposure_s", "width_px", "height_px", "bin_x", "focal_length_mm", "pixel_um"):
        require((getattr(frame, name) or 0) >= 0, f"{name} is {getattr(frame, name)}")
    require(frame.begun_utc is None or frame.begun_utc.tzinfo is not None, "a time of no zone")


def _judge_entry(inspection: Inspection, dice: random.Random) -> None:
    """Date it, make its line and read it again: nothing of a frame may be lost in its bag."""
    night, findings = frame_night(inspection, dice.randrange(-(2**62), 2**62), dice.uniform(-180, 180))
    require(type(night) is date, f"the night is {night!r}")
    require(all(finding.detail.isprintable() for finding in findings), findings)
    entry = Entry("data/frames/x.fits", 1, _DIGESTS, 1, "frames", "x.fits", night, frame=inspection.frame)
    entry = replace(entry, findings=(*inspection.findings, *findings))
    again = next(read_entries([entry_line(entry)]))
    require(again == replace(entry, findings=again.findings), "its line gives another entry")


def _judge_names(frame: Frame) -> None:
    """Return it a place in an archive as filing does: some folder below `data`, and nowhere else."""
    names = Namer(NameSources(), InUse()).names(frame)
    place = place_of(frame, names, date(2026, 3, 14), "frames/x.fits")
    parts = [*place.owner.folder.split("/"), *place.path.split("/")]
    require(place.path.startswith("data/"), f"its place is {place.path!r}")
    require(all(part.isprintable() and part.strip(". ") for part in parts), f"its place is {place}")


def _judge_skies(frames: Sequence[Frame]) -> None:
    for seen in Skies(None).look(frames).values():
        require(seen.disagreement is None or seen.disagreement.detail.isprintable(), seen)
        require(all(value is None or abs(value) < 1e6 for value in seen.sky.as_facts().values()), seen)


def _send(dice: random.Random, contents: Sequence[bytes]) -> None:
    """Carry them with the command itself, as frames by name, to a folder."""
    with room() as root:
        (root / "drive").mkdir()
        scene = Scene(root, prepare(root / "drive"), dice)
        for number, content in enumerate(contents):
            (scene.computer.frames / f"{number:04}.fits").write_bytes(content)
        scene.look()
        ran = scene.send("--all")
        require_ended(ran, "the send", 0)
        scene.require_sources_untouched()
        require_truth(ran, scene.drive, scene.known.now, None)
        require_complete(scene.drive, scene.known.now)
        lines = [line for bag in bags_on(scene.drive) for line in _lines(bag)]
        require(len(lines) == len(contents), f"{len(lines)} entries for {len(contents)} files")


def _lines(bag: Path) -> list[bytes]:
    return (bag / "nightferry/entries.jsonl").read_bytes().splitlines()


FAULTS = (
    Fault(
        "fuzzed",
        "headers of real frames, changed at random: read, judged, filed; some sent",
        ("memory",),
        1_000_000,
        try_batch,
        1,
        batch=BATCH,
    ),
)

__all__ = ["FAULTS", "Broken", "judge"]
