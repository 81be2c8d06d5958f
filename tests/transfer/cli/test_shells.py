"""Completion in real shells: what Tab leaves on the line is read as the name, and runs nothing."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.support.archives import light, small_archive, write_bag
from tests.support.interactive_shells import InteractiveShell
from transfer.jobs.index import build_index

pytestmark = pytest.mark.skipif(os.name == "nt", reason="these shells are at home on other systems")

# What a header's OBJECT may say. Each begins so that no other name fits what is typed of it.
HOSTILE = (
    "a1 $(touch ran)",
    "b1 `touch ran`",
    'c1 ";touch ran;"',
    "d1 ';touch ran;'",
    'e1 \\";touch ran;"',
    "f1 ;touch ran",
    "k1 ${x:-$(touch ran)}",
    "m1 \\\\`touch ran`",
    "n1 '\"$(touch ran)\"'",
)
HARMLESS = ("o1 Barnard", "p1 galaxy, in the east", "q1 (panel 2)", "r1 * ? [x]", "s1 Hα° ~", "t1 = # %")
OPENINGS = {"no quote": "{}\\ ", "a double quote": '"{} ', "a single quote": "'{} "}
WITHIN = {"a double quote within": '{}" ', "a single quote within": "{}' "}


@dataclass
class Prompt:
    """A shell in which a target's name is being typed."""

    name: str
    shell: InteractiveShell
    folder: Path
    environ: dict[str, str]

    def completed(self, opening: str, target: str) -> str:
        """Type the beginning of a name, press Tab, and return the line."""
        typed = opening.format(target.partition(" ")[0])
        return self.shell.line_after(
            f"nightferry frames --archive '{self.folder}/archive' --target {typed}\t"
        )

    def run(self, line: str) -> list[str]:
        """Let the shell run a line; return the words that the program got, none where it was not started."""
        (self.folder / "words").unlink(missing_ok=True)
        subprocess.run(
            [self.name, "-c", line], cwd=self.folder, env=self.environ, capture_output=True, check=False
        )
        words = self.folder / "words"
        return words.read_text(encoding="utf-8").split("\n")[:-1] if words.exists() else []


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("prompt")
    root = small_archive(folder / "archive")
    names = (*HOSTILE, *HARMLESS)
    write_bag(root / "more", [light(30 + n, name, stem=str(n)) for n, name in enumerate(names)])
    build_index(root)
    (folder / "bin").mkdir()
    program = folder / "bin/nightferry"
    program.write_text(
        "#!/bin/sh\n"
        f"if [ -z \"$_NIGHTFERRY_COMPLETE\" ]; then printf '%s\\n' \"$@\" > '{folder}/words'; exit; fi\n"
        f"PYTHONPATH='{Path(__file__).parents[3]}' exec '{sys.executable}' -c"
        ' \'from transfer.cli.main import main; main(prog_name="nightferry")\' "$@"\n'
    )
    program.chmod(0o755)
    return folder


@pytest.fixture(scope="module", params=["bash", "zsh", "fish"])
def prompt(request: pytest.FixtureRequest, folder: Path) -> Iterator[Prompt]:
    if shutil.which(request.param) is None:
        pytest.skip(f"there is no {request.param}")
    path = f"{folder / 'bin'}{os.pathsep}{os.environ['PATH']}"
    environ = os.environ | {"PATH": path, "LC_ALL": "C.UTF-8"}
    with InteractiveShell(request.param, folder, environ) as shell:
        yield Prompt(request.param, shell, folder, environ)


@pytest.mark.parametrize("opening", [*OPENINGS, *WITHIN])
@pytest.mark.parametrize("target", HOSTILE)
def test_a_hostile_name_runs_nothing(prompt: Prompt, opening: str, target: str) -> None:
    line = prompt.completed((OPENINGS | WITHIN)[opening], target)
    for closing in ("", '"', "'"):
        prompt.run(line + closing)
        assert not (prompt.folder / "ran").exists(), line + closing


@pytest.mark.parametrize("opening", OPENINGS)
@pytest.mark.parametrize("target", HARMLESS)
def test_an_ordinary_name_is_completed_and_read_as_it_is(prompt: Prompt, opening: str, target: str) -> None:
    line = prompt.completed(OPENINGS[opening], target)
    assert prompt.run(line)[-2:] == ["--target", target], line


@pytest.mark.parametrize("target", HOSTILE)
def test_a_name_begun_without_a_quote_is_read_as_it_is_whatever_it_holds(prompt: Prompt, target: str) -> None:
    line = prompt.completed(OPENINGS["no quote"], target)
    assert prompt.run(line)[-2:] == ["--target", target], line
