"""Processes that read frames, a frame at a time: one that dies or hangs costs that frame alone.

Each is asked by a line of JSON on its standard input, and answers with a line on its standard output. It is a
process of its own so that whatever a damaged frame does to a decoder ends nothing else, and so that all cores
are at work. It ends when its input does, as it does when whoever started it is killed.
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Generic, NamedTuple, Self, TypeVar

Task = TypeVar("Task")

MOST_S_A_FRAME = 120.0
"""How long one frame may take: the largest takes seconds, and what takes minutes is made to."""

_ROOT = Path(__file__).parents[2]
_START = (
    "import runpy, sys; sys.path[:0] = {sys.argv[1]} - {*sys.path};"
    " runpy.run_module(sys.argv[2], run_name='__main__')"
)
_LOOK_S = 0.2
# So many tasks wait for each process, so that none waits for whoever takes the answers; memory stays flat.
_AHEAD = 2
# The system may have ended a process for want of memory, which is not the frame's fault.
_TRIES = 2


class NoAnswer(NamedTuple):
    """Why no process has answered; `is_of_frame` where the frame itself may be the cause."""

    why: str
    is_of_frame: bool = True


_BROKE_OFF = NoAnswer("broke off")


class Answer(NamedTuple, Generic[Task]):
    """What a process told of a task, or why it told nothing."""

    task: Task
    told: dict[str, Any] | NoAnswer


class Workers(Generic[Task]):
    """As many processes as `count`, each begun by `command`. A context manager: at its end they are ended.

    `asked` makes the line of JSON of a task.
    """

    def __init__(
        self,
        command: tuple[str, ...],
        asked: Callable[[Task], dict[str, Any]],
        count: int,
        most_s: float = MOST_S_A_FRAME,
    ) -> None:
        self._count = count
        self._tasks: queue.Queue[Task | None] = queue.Queue()
        self._answers: queue.Queue[Answer[Task]] = queue.Queue()
        self._attendants = [
            _Attendant(command, asked, most_s, self._tasks, self._answers) for _ in range(count)
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
            self._tasks.put(None)
        for attendant in self._attendants:
            attendant.join()

    def answers(self, tasks: Iterator[Task], go_on: Callable[[], bool]) -> Iterator[Answer[Task]]:
        """Return what comes of tasks as it comes, as long as `go_on` says so.

        Tasks are taken from the iterator in the caller's thread, a few ahead.
        """
        waiting = 0
        while go_on():
            while waiting < _AHEAD * self._count and (task := next(tasks, None)) is not None:
                self._tasks.put(task)
                waiting += 1
            if not waiting:
                return
            try:
                answer = self._answers.get(timeout=_LOOK_S)
            except queue.Empty:
                continue
            waiting -= 1
            yield answer


def module_command(name: str) -> tuple[str, ...]:
    """Return the command that runs a module of this program, the same as is at work here.

    With -P nothing is imported from the folder that a person happens to stand in; where this program was
    started from its own folder, and not from where it is installed, that has to be said again.
    """
    return (sys.executable, "-P", "-c", _START, str(_ROOT), name)


def processes_here() -> int:
    """Return how many processes this one may keep at work."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def serve(answer_to: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
    """Answer, in a process that was begun so, until there is nothing more to read."""
    for line in sys.stdin:
        sys.stdout.write(f"{json.dumps(answer_to(json.loads(line)))}\n")
        sys.stdout.flush()


class _Attendant(threading.Thread, Generic[Task]):
    """Asks one process task by task, and begins another one where it died or took too long."""

    def __init__(
        self,
        command: tuple[str, ...],
        asked: Callable[[Task], dict[str, Any]],
        most_s: float,
        tasks: queue.Queue[Task | None],
        answers: queue.Queue[Answer[Task]],
    ) -> None:
        super().__init__(name="attendant", daemon=True)
        self._command, self._asked, self._most_s = command, asked, most_s
        self._tasks, self._answers = tasks, answers
        self._process: subprocess.Popen[str] | None = None
        self._ended = threading.Event()
        self._lock = threading.Lock()

    def run(self) -> None:
        while not self._ended.is_set() and (task := self._tasks.get()) is not None:
            told = self._told(task)
            if told is not None:
                self._answers.put(Answer(task, told))
        self.end()

    def end(self) -> None:
        """End the process, whatever it is at: nothing of a frame is kept but its whole answer."""
        self._ended.set()
        with self._lock:
            process, self._process = self._process, None
        if process is not None:
            _end(process)

    def _told(self, task: Task) -> dict[str, Any] | NoAnswer | None:
        """Return what came of a task, None where the end came before it."""
        for _ in range(_TRIES):
            told = self._try(task)
            if told != _BROKE_OFF:
                break
        return told

    def _try(self, task: Task) -> dict[str, Any] | NoAnswer | None:
        try:
            process = self._running()
        except OSError as error:
            return NoAnswer(f"no process for it could be started ({error.strerror})", is_of_frame=False)
        if process is None:
            return None
        clock = threading.Timer(self._most_s, process.kill)
        clock.start()
        try:
            told = _ask(process, self._asked(task))
        finally:
            is_late = not clock.is_alive()
            clock.cancel()
        if told is not None or self._ended.is_set():
            return told
        with self._lock:
            self._process = None
        _end(process)
        return NoAnswer(f"took longer than {self._most_s:.0f} s") if is_late else _BROKE_OFF

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


def _ask(process: subprocess.Popen[str], asked: dict[str, Any]) -> dict[str, Any] | None:
    """Return the process's answer, None where it gave none."""
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        process.stdin.write(json.dumps(asked) + "\n")
        process.stdin.flush()
        told: dict[str, Any] = json.loads(process.stdout.readline())
    except (OSError, ValueError):  # it died: a broken pipe, or no whole line
        return None
    return told


def _end(process: subprocess.Popen[str]) -> None:
    process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            try:
                pipe.close()
            except OSError:  # what was written last did not reach it
                continue
