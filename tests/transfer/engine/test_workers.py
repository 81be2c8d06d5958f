"""Processes that read frames: one that dies or hangs costs one frame, and none outlives the run."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.support.processes import is_at_work
from transfer.engine.workers import NoAnswer, Workers

GOOD = {"fine": True}
LONGEST_WAIT_S = 30


def program(text: str) -> tuple[str, ...]:
    """Return a command that runs `text` for each task, whose number is `task`, and answers then."""
    head = "import json, os, sys, time\nfor line in sys.stdin:\n    task = json.loads(line)['task']\n    "
    return (sys.executable, "-c", f"{head}{text}\n    print(json.dumps({GOOD}), flush=True)\n")


def answers(text: str, go_on: Callable[[], bool] = lambda: True) -> dict[int, Any]:
    with Workers[int](program(text), lambda task: {"task": task}, 2, 2.0) as workers:
        return {answer.task: answer.told for answer in workers.answers(iter(range(6)), go_on)}


def test_each_task_has_its_answer() -> None:
    assert answers("pass") == dict.fromkeys(range(6), GOOD)


def test_a_process_that_dies_takes_one_frame_with_it() -> None:
    found = answers("task == 2 and os.abort()")
    assert found.pop(2) == NoAnswer("broke off")
    assert list(found.values()) == [GOOD] * 5


def test_a_frame_whose_process_was_ended_once_is_tried_again(tmp_path: Path) -> None:
    tried = f"(t := {str(tmp_path / 'tried')!r}) and not os.path.exists(t) and (open(t, 'w'), os.abort())"
    assert answers(tried) == dict.fromkeys(range(6), GOOD)


@pytest.mark.skipif(os.name == "nt", reason="a signal to all processes of a terminal")
def test_ctrl_c_in_the_terminal_reaches_none_of_them() -> None:
    assert answers("os.getpgid(0) == os.getpgid(os.getppid()) and os.abort()") == dict.fromkeys(
        range(6), GOOD
    )


def test_a_frame_that_takes_for_ever_is_left() -> None:
    found = answers("task == 0 and time.sleep(1000)")
    assert found.pop(0) == NoAnswer("took longer than 2 s")
    assert list(found.values()) == [GOOD] * 5


def test_where_no_process_can_be_started_each_frame_says_so(tmp_path: Path) -> None:
    missing = str(tmp_path / "no program")
    with pytest.raises(FileNotFoundError) as said:
        subprocess.run([missing], check=False)
    with Workers[int]((missing,), lambda task: {"task": task}, 2) as workers:
        found = [answer.told for answer in workers.answers(iter(range(6)), lambda: True)]
    why = f"no process for it could be started ({said.value.strerror})"
    assert found == [NoAnswer(why, is_of_frame=False)] * 6


def test_processes_end_with_the_run_whatever_they_are_at(tmp_path: Path) -> None:
    begun = tmp_path / "begun"
    found = answers(
        f"open({str(begun)!r}, 'a').write(f'{{os.getpid()}} ') and time.sleep(1000)",
        lambda: not (begun.exists() and len(begun.read_text().split()) == 2),
    )
    assert found == {}
    for pid in begun.read_text().split():
        assert not is_at_work(int(pid))


def test_they_are_of_the_program_that_is_at_work_wherever_that_lies(tmp_path: Path) -> None:
    """A copy that is not installed, asked from another folder, beside the one that is installed."""
    for room in ("transfer", "manifests"):
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(Path(__file__).parents[3] / room, tmp_path / "copy" / room, ignore=ignored)
    told = "from transfer.engine.workers import serve\nserve(lambda asked: {'file': __file__})\n"
    (tmp_path / "copy" / "transfer" / "probe.py").write_text(told, encoding="utf-8")
    (tmp_path / "json.py").write_text(
        "raise SystemExit('imported from where one stands')\n", encoding="utf-8"
    )
    run = (
        f"import sys\nsys.path.insert(0, {str(tmp_path / 'copy')!r})\n"
        "from transfer.engine.workers import Workers, module_command\n"
        "with Workers(module_command('transfer.probe'), lambda task: {}, 1) as workers:\n"
        "    for answer in workers.answers(iter([1]), lambda: True):\n        print(answer.told['file'])\n"
    )
    ran = subprocess.run(
        [sys.executable, "-P", "-c", run], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert Path(ran.stdout.strip()) == tmp_path / "copy" / "transfer" / "probe.py"


def test_none_outlives_a_run_that_is_killed(tmp_path: Path) -> None:
    begun = tmp_path / "begun"
    noted = program(f"open({str(begun)!r}, 'a').write(f'{{os.getpid()}} ')")
    run = (
        "import time\nfrom transfer.engine.workers import Workers\n"
        f"with Workers({noted!r}, lambda task: {{'task': task}}, 2) as workers:\n"
        "    for _ in workers.answers(iter(range(10**9)), lambda: True):\n        time.sleep(0.01)\n"
    )
    killed = subprocess.Popen([sys.executable, "-c", run])
    until(lambda: begun.exists() and len(set(begun.read_text().split())) == 2)
    killed.kill()
    killed.wait()
    until(lambda: not any(is_at_work(int(pid)) for pid in set(begun.read_text().split())))


def until(holds: Callable[[], bool]) -> None:
    """Wait until something holds."""
    ends_s = time.monotonic() + LONGEST_WAIT_S
    while not holds():
        assert time.monotonic() < ends_s, "it never came"
        time.sleep(0.01)
