"""The processes that measure frames, one a core, and a thread that attends to each."""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.index.measures import ToMeasure

MOST_S_A_FRAME = 120.0
"""How long one frame may take: the largest takes seconds, and what takes minutes is made to."""

_LOOK_S = 0.2
# So many frames wait for each process, so that none waits for the index.
_AHEAD = 2
# The system may have ended a process for want of memory, which is not the frame's fault.
_TRIES = 2
_BROKE_OFF = FrameMeasures(why_not="measuring it broke off")
# With -P nothing is imported from the folder that a person happens to stand in.
_COMMAND = (sys.executable, "-P", "-m", "transfer.jobs.measures.worker")


class Answer(NamedTuple):
    """What came of one frame: its measures, or why its file could not be looked at."""

    frame: ToMeasure
    measures: FrameMeasures | None
    unreadable: str = ""
    changed: bool = False


class Workers:
    """As many processes as `count`. A context manager: at its end they are ended."""

    def __init__(
        self,
        root: Path,
        count: int,
        most_s: float = MOST_S_A_FRAME,
        command: tuple[str, ...] = _COMMAND,
    ) -> None:
        self._count = count
        self._asked: queue.Queue[ToMeasure | None] = queue.Queue()
        self._answers: queue.Queue[Answer] = queue.Queue()
        self._attendants = [
            _Attendant(root, most_s, command, self._asked, self._answers) for _ in range(self._count)
        ]

    def __enter__(self) -> Self:
        for attendant in self._attendants:
            attendant.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for attendant in self._attendants:
            attendant.end()
        for _ in self._attendants:
            self._asked.put(None)
        for attendant in self._attendants:
            attendant.join()

    def answers(self, frames: Iterator[ToMeasure], go_on: Callable[[], bool]) -> Iterator[Answer]:
        """Return what comes of frames as it comes, as long as `go_on` says so.

        Frames are taken from the iterator in the caller's thread, a few ahead.
        """
        waiting = 0
        while go_on():
            while waiting < _AHEAD * self._count and (frame := next(frames, None)) is not None:
                self._asked.put(frame)
                waiting += 1
            if not waiting:
                return
            try:
                answer = self._answers.get(timeout=_LOOK_S)
            except queue.Empty:
                continue
            waiting -= 1
            yield answer


class _Attendant(threading.Thread):
    """Asks one process frame by frame, and begins another one where it died or took too long."""

    def __init__(
        self,
        root: Path,
        most_s: float,
        command: tuple[str, ...],
        asked: queue.Queue[ToMeasure | None],
        answers: queue.Queue[Answer],
    ) -> None:
        super().__init__(name="measuring", daemon=True)
        self._root, self._most_s, self._command = root, most_s, command
        self._asked, self._answers = asked, answers
        self._process: subprocess.Popen[str] | None = None
        self._ended = threading.Event()
        self._lock = threading.Lock()

    def run(self) -> None:
        while not self._ended.is_set() and (frame := self._asked.get()) is not None:
            answer = self._answer(frame)
            if answer is not None:
                self._answers.put(answer)
        self.end()

    def end(self) -> None:
        """End the process, whatever it is at: nothing of a frame is kept but its whole answer."""
        self._ended.set()
        with self._lock:
            process, self._process = self._process, None
        if process is not None:
            _end(process)

    def _answer(self, frame: ToMeasure) -> Answer | None:
        """Return what came of a frame, None where the end came before it."""
        for _ in range(_TRIES):
            answer = self._try(frame)
            if answer is None or answer.measures != _BROKE_OFF:
                break
        return answer

    def _try(self, frame: ToMeasure) -> Answer | None:
        try:
            process = self._running()
        except OSError as error:
            return Answer(frame, None, f"no process to measure it could be started ({error.strerror})")
        if process is None:
            return None
        clock = threading.Timer(self._most_s, process.kill)
        clock.start()
        try:
            told = _ask(process, self._root, frame)
        finally:
            is_late = not clock.is_alive()
            clock.cancel()
        if told is not None:
            return _read(frame, told)
        if self._ended.is_set():
            return None
        with self._lock:
            self._process = None
        _end(process)
        late = FrameMeasures(why_not=f"measuring it took longer than {self._most_s:.0f} s")
        return Answer(frame, late if is_late else _BROKE_OFF)

    def _running(self) -> subprocess.Popen[str] | None:
        with self._lock:
            if self._process is None and not self._ended.is_set():
                self._process = subprocess.Popen(  # noqa: S603 - this program itself
                    self._command,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                    encoding="ascii",
                    # Ctrl-C in the terminal is for the run, which says when its processes end.
                    start_new_session=True,
                    creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
                )
            return self._process


def _ask(process: subprocess.Popen[str], root: Path, frame: ToMeasure) -> dict[str, Any] | None:
    """Return the process's answer, None where it gave none."""
    asked = {
        "bag": str(root / frame.bag),
        "path": frame.path,
        "sha256": frame.sha256,
        "stars": frame.stars,
        "mosaic": frame.mosaic,
    }
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        process.stdin.write(json.dumps(asked) + "\n")
        process.stdin.flush()
        told: dict[str, Any] = json.loads(process.stdout.readline())
    except (OSError, ValueError):  # it died: a broken pipe, or no whole line
        return None
    return told


def _read(frame: ToMeasure, told: dict[str, Any]) -> Answer:
    if "measures" in told:
        return Answer(frame, FrameMeasures(**told["measures"]))
    return Answer(frame, None, told.get("unreadable", ""), bool(told.get("changed")))


def _end(process: subprocess.Popen[str]) -> None:
    process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            try:
                pipe.close()
            except OSError:  # what was written last did not reach it
                continue
