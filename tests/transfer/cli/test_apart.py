"""A child does the work; whatever becomes of it, the parent ends with an exit code, and in time."""

import contextlib
import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


@pytest.fixture
def run():
    """Return a function that starts a program which does `work` apart; what is left of it is ended."""
    programs = []

    def start(work, **more):
        text = textwrap.dedent("""
            import os, select, signal, sys, threading
            from transfer.cli.apart import run_apart

            def work():
            {work}

            sys.exit(run_apart(work))
        """).format(work=textwrap.indent(textwrap.dedent(work), "    "))
        pipe = subprocess.PIPE
        programs.append(
            subprocess.Popen([sys.executable, "-c", text], stdout=pipe, stderr=pipe, text=True, **more)
        )
        return programs[-1]

    yield start
    for program in programs:
        end_with_its_child(program)


def end_with_its_child(program):
    if program.poll() is None:
        children = Path(f"/proc/{program.pid}/task/{program.pid}/children")
        known = children.read_text().split() if children.exists() else []
        program.kill()
        for child in map(int, known):
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
    program.communicate()


def ended(program):
    out, err = program.communicate(timeout=30)
    return program.returncode, out, err


def test_the_childs_exit_code_and_output_are_the_callers(run):
    assert ended(run("print('told'); return 6")) == (6, "told\n", "")


def test_a_child_that_exits_gives_its_code(run):
    assert ended(run("sys.exit(4)"))[0] == 4


def test_a_fault_in_the_child_is_not_lost(run):
    code, _, err = ended(run("raise KeyError('a fault')"))
    assert code == 1
    assert "a fault" in err


def test_a_child_that_is_killed_is_told_as_a_shell_tells_it(run):
    assert ended(run("os.kill(os.getpid(), signal.SIGKILL)"))[0] == 128 + signal.SIGKILL


def test_a_thread_that_never_ends_does_not_hold_the_caller(run):
    code, out, _ = ended(
        run("threading.Thread(target=threading.Event().wait).start(); print('told'); return 6")
    )
    assert (code, out) == (6, "told\n")


WAITS_FOR_A_SIGNAL = """
    read_end, write_end = os.pipe()
    signal.signal({number}, lambda *_: os.write(write_end, b"x"))
    print("ready", flush=True)
    came = len(os.read(read_end, 1))
    # Another one would come at once.
    came += len(select.select([read_end], [], [], 0.3)[0])
    print("came", came)
    return 6
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, getattr(signal, "SIGHUP", 1)])
def test_a_signal_for_the_parent_reaches_the_child(run, number):
    program = run(WAITS_FOR_A_SIGNAL.format(number=int(number)))
    assert program.stdout.readline() == "ready\n"
    program.send_signal(number)
    assert ended(program) == (6, "came 1\n", "")


def test_what_a_terminal_sends_to_the_whole_group_reaches_the_child_once(run):
    program = run(WAITS_FOR_A_SIGNAL.format(number=int(signal.SIGINT)), start_new_session=True)
    assert program.stdout.readline() == "ready\n"
    os.killpg(program.pid, signal.SIGINT)
    assert ended(program) == (6, "came 1\n", "")
