"""The process that has the product loaded: a line of JSON asks for a run, the answer is its exit code."""

from __future__ import annotations

import gc
import importlib
import json
import os
import sys
import threading

_LOADED = (
    "transfer.cli.send",
    "transfer.jobs.send.carrying",
    "transfer.cli.check",
    "transfer.cli.file",
    "transfer.cli.filing",
    "transfer.cli.frames",
    "astropy.coordinates",
    "astropy.io.fits",
)


def serve() -> None:
    """Fork for each run that is asked for. Comes back in the fork, which is then the run."""
    answers = os.dup(1)
    asked = b""
    while chunk := os.read(0, 1 << 16):
        asked += chunk
        if not asked.endswith(b"\n"):
            continue
        run = os.fork()
        if run == 0:
            os.close(answers)
            become(*json.loads(asked))
            return
        asked = b""
        code = os.waitstatus_to_exitcode(os.waitpid(run, 0)[1])
        os.write(answers, f"{code}\n".encode())
    os._exit(0)


def become(out: str, err: str, words: list[str]) -> None:
    """Make this process look like one that was started with these arguments."""
    for number, path in enumerate((os.devnull, out, err)):
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        os.dup2(descriptor, number)
        os.close(descriptor)
    sys.argv = ["nightferry", *words]


def run_to_its_end() -> int:
    """Run the product, and end it by hand: to take down all that is loaded costs more than a run."""
    from transfer.cli.main import main

    code = 0
    try:
        main()
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 1
    for thread in threading.enumerate():
        if thread is not threading.current_thread() and not thread.daemon:
            thread.join()
    sys.stdout.flush()
    sys.stderr.flush()
    return code


if __name__ == "__main__":
    for module in _LOADED:
        importlib.import_module(module)
    gc.freeze()
    serve()
    os._exit(run_to_its_end())
