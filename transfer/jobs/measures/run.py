"""One run over the frames of an archive that are not measured yet, and what came of it."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from manifests.findings import Finding, FindingKind
from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.frames.measures.measuring import can_measure
from manifests.index.measures import ToMeasure, frames_to_measure, keep_measures, lack_of_measures
from manifests.index.opening import Index, open_index
from manifests.index.rebuilding import bring_up_to_date
from manifests.index.schema import INDEX_NAME
from transfer.archive.whereabouts import faults_as_errors, on_network, require_archive
from transfer.engine.resting import let_rest
from transfer.engine.workers import Answer, NoAnswer, Workers, module_command, processes_here
from transfer.errors import ConfigurationError, ExitCode
from transfer.events import BytesDone, Listener, Phase, PhaseBegan, PhaseEnded, nobody
from transfer.words import counted

_COMMAND = module_command("transfer.jobs.measures.worker")
# A frame takes seconds; the processes give way to all others, and on a busy computer that makes minutes.
_MOST_S_A_FRAME = 600.0
INSTALL = "pip install 'nightferry[page]'"

# What is measured is kept as often as this: killed, a run has lost no more.
_KEEP_S, _KEEP_FRAMES = 2.0, 100


@dataclass(frozen=True, slots=True)
class MeasuresOutcome:
    """What a run came to: frames `measured`, of which some could not be, and those `left` unmeasured.

    `why_ended` says why a run ended early. `findings` name files that could not be looked at.
    """

    root: Path
    measured: int = 0
    not_measurable: int = 0
    left: int = 0
    why_ended: str = ""
    findings: tuple[Finding, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """Return the exit code: not 0 where a run was stopped, or a file could not be looked at."""
        if self.why_ended:
            return ExitCode.STOPPED_EARLY
        return ExitCode.SOMETHING_UNPROVEN if self.findings else ExitCode.PROVEN

    @property
    def message(self) -> str:
        """Return the result in one line."""
        if not (self.measured or self.left):
            return "All frames are measured."
        told = f"{counted(self.measured - self.not_measurable, 'frame')} measured"
        told += f", {self.not_measurable:,} could not be" if self.not_measurable else ""
        told += f"; {self.left:,} are not measured yet" if self.left else ""
        return told + (f" ({self.why_ended})." if self.why_ended else ".")

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        return {
            "command": "index",
            "exit": int(self.exit_code),
            "message": self.message,
            "path": str(self.root / INDEX_NAME),
            "measures": {
                "measured": self.measured,
                "not_measurable": self.not_measurable,
                "left": self.left,
            },
            "findings": [finding.as_json() for finding in self.findings],
        }


def measure_archive(
    root: Path,
    why_end: Callable[[], str],
    listen: Listener = nobody,
    *,
    most_s: float | None = None,
    workers: int | None = None,
) -> MeasuresOutcome:
    """Measure the raw frames of an archive that are not measured yet, those filed last first.

    It ends early, what is measured kept, as soon as `why_end` says why, or after `most_s`. Nothing but the
    index is written. Raises ConfigurationError where the library that finds stars is not installed, NotThere,
    Busy, and NightferryError for an index that cannot be used.
    """
    if not can_measure():
        step = f"Install it: {INSTALL}"
        raise ConfigurationError("The library that measures frames is not installed", next_step=step)
    with faults_as_errors(root):
        require_archive(root)
        shared = on_network(root)
        bring_up_to_date(root, on_network=shared)
        try:
            with open_index(root / INDEX_NAME, write=True, on_network=shared) as index:
                return _Run(index, root, why_end, listen, most_s).run(workers)
        finally:
            let_rest([root])


class _Run:
    def __init__(
        self, index: Index, root: Path, why_end: Callable[[], str], listen: Listener, most_s: float | None
    ) -> None:
        self._index = index
        self._root = root
        self._why_end = why_end
        self._listen = listen
        self._until_s = None if most_s is None else time.monotonic() + most_s
        self._findings: list[Finding] = []
        self._waiting: dict[str, FrameMeasures] = {}
        self._kept_s = time.monotonic()
        self._is_gone = False
        self._measured = 0
        self._not_measurable = 0

    def run(self, workers: int | None) -> MeasuresOutcome:
        lack = lack_of_measures(self._index)
        if not lack.frames:
            return MeasuresOutcome(self._root)
        what = counted(lack.frames, "frame")
        self._listen(PhaseBegan(Phase.MEASURING, what, lack.size_bytes))
        count = min(workers or processes_here(), lack.frames)
        with Workers(_COMMAND, self._asked, count, _MOST_S_A_FRAME) as processes:
            try:
                frames = frames_to_measure(self._index)
                for answer in processes.answers(frames, lambda: not self._why_now()):
                    self._take(answer)
                    self._listen(BytesDone(Phase.MEASURING, what, answer.task.size_bytes))
            finally:
                self._keep()
        self._listen(PhaseEnded(Phase.MEASURING, what))
        left = lack_of_measures(self._index).frames
        return MeasuresOutcome(
            root=self._root,
            measured=self._measured,
            not_measurable=self._not_measurable,
            left=left,
            why_ended=self._why_now() if left > len(self._findings) else "",
            findings=tuple(self._findings),
        )

    def _why_now(self) -> str:
        if self._is_gone:
            return "the archive's folder is not there any more"
        if self._until_s is not None and time.monotonic() > self._until_s:
            return "the time for it was over"
        return self._why_end()

    def _asked(self, frame: ToMeasure) -> dict[str, Any]:
        return {
            "bag": str(self._root / frame.bag),
            "path": frame.path,
            "sha256": frame.sha256,
            "stars": frame.stars,
            "mosaic": frame.mosaic,
        }

    def _take(self, answer: Answer[ToMeasure]) -> None:
        measures = measures_told(answer.told)
        if isinstance(measures, Finding):
            path = f"{answer.task.bag}/{answer.task.path}"
            self._findings.append(replace(measures, path=path))
            self._is_gone = not os.path.isdir(self._root)  # noqa: PTH112 - a Path's raises where a driver has died
            return
        self._waiting[answer.task.sha256] = measures
        self._measured += 1
        self._not_measurable += bool(measures.why_not)
        if len(self._waiting) >= _KEEP_FRAMES or time.monotonic() - self._kept_s > _KEEP_S:
            self._keep()

    def _keep(self) -> None:
        if self._waiting:
            keep_measures(self._index, self._waiting)
            self._waiting.clear()
        self._kept_s = time.monotonic()


def measures_told(told: dict[str, Any] | NoAnswer) -> FrameMeasures | Finding:
    """Return a frame's measures, or the finding that its file could not be looked at, without its path."""
    if isinstance(told, NoAnswer):
        if told.is_of_frame:
            return FrameMeasures(why_not=f"measuring it {told.why}")
        return Finding(FindingKind.UNREADABLE, told.why)
    if told.get("changed"):
        detail = "its content is not what its bag lists, and was not measured: `nightferry check` says more"
        return Finding(FindingKind.CHANGED, detail)
    if "unreadable" in told:
        return Finding(FindingKind.UNREADABLE, told["unreadable"])
    return FrameMeasures(**told["measures"])
