"""Names made to be run: what Tab leaves on the line of a real shell runs nothing."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

from tests.faults.judge import require
from tests.faults.scene import PROJECT, environment, room
from tests.faults.trials import Fault, NotMade, Trial, telling
from tests.support.archives import light, small_archive, write_bag
from tests.support.interactive_shells import InteractiveShell
from transfer.jobs.index import build_index

_SHELLS = ("bash", "zsh", "fish")
_PIECES = (
    *("$(touch ran)", "`touch ran`", "${x:-$(touch ran)}", "(touch ran)", ";touch ran;", "&touch ran&"),
    *(
        "|touch ran",
        ">ran",
        "<(touch ran)",
        '"',
        "'",
        "\\",
        "$",
        "!",
        "*",
        "?",
        "[x]",
        "{a,b}",
        "~",
        "#",
        " ",
    ),
)
_OPENINGS = ("{}", '"{}', "'{}", '{}"', "{}'", "$'{}", "\\{}")
_NAMES = 12


def try_names(trial: Trial) -> None:
    """Make an archive of hostile targets; begin each in every way, press Tab, and run what is there."""
    dice = trial.dice
    shell = _SHELLS[(trial.number + trial.seed) % len(_SHELLS)]
    if shutil.which(shell) is None:
        raise NotMade(f"there is no {shell}")
    names = [f"{chr(97 + n)}z{_made(dice)}" for n in range(_NAMES)]
    with room() as root:
        write_bag(
            small_archive(root / "archive") / "more",
            [light(n, name, stem=str(n)) for n, name in enumerate(names)],
        )
        build_index(root / "archive")
        environ = environment() | {"PATH": f"{_program(root)}{os.pathsep}{os.environ['PATH']}"}
        with InteractiveShell(shell, root, environ) as prompt:
            for name in names:
                opening = dice.choice(_OPENINGS)
                typed = f"nightferry frames --archive '{root}/archive' --target {opening.format(name[:2])}"
                with telling(f"{shell}, {opening!r}, {name!r}"):
                    _require_nothing_runs(shell, prompt.line_after(f"{typed}\t"), root, environ)


def _made(dice: random.Random) -> str:
    return "".join(dice.choice(_PIECES) for _ in range(dice.randint(1, 4)))


def _program(root: Path) -> Path:
    (root / "bin").mkdir()
    program = root / "bin/nightferry"
    program.write_text(
        "#!/bin/sh\n"
        '[ -n "$_NIGHTFERRY_COMPLETE" ] || exit 0\n'
        f"PYTHONPATH='{PROJECT}' exec '{sys.executable}' -c"
        ' \'from transfer.cli.main import main; main(prog_name="nightferry")\' "$@"\n'
    )
    program.chmod(0o755)
    return program.parent


def _require_nothing_runs(shell: str, line: str, root: Path, environ: dict[str, str]) -> None:
    for closing in ("", '"', "'"):
        subprocess.run([shell, "-c", line + closing], cwd=root, env=environ, capture_output=True, check=False)
        require(not (root / "ran").exists(), f"it ran: {line}{closing}")


FAULTS = (
    Fault(
        "hostile-names",
        "names made to be run, completed in bash, zsh and fish",
        ("memory",),
        360,
        try_names,
        3,
        batch=_NAMES,
    ),
)
