"""What a shell completes: the archive's names, quietly and as bash must read them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.shell_completion import BashComplete, ShellComplete

from manifests.findings import FindingKind
from manifests.index.schema import INDEX_NAME
from tests.support.archives import light, small_archive, write_bag
from transfer.cli.main import main
from transfer.cli.shells import QuotingBash
from transfer.jobs.index import build_index

Complete = Callable[..., list[str]]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    root = small_archive(tmp_path / "archive")
    build_index(root)
    return root


@pytest.fixture
def complete(root: Path) -> Complete:
    def completed(*words: str, archive: Path = root) -> list[str]:
        *before, incomplete = words
        shell = ShellComplete(main, {}, "nightferry", "_NIGHTFERRY_COMPLETE")
        items = shell.get_completions(["frames", "--archive", str(archive), *before], incomplete)
        return [item.value for item in items]

    return completed


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (["--target", ""], ["M 51", "NGC 4565"]),
        (["--target", "m5"], ["M 51"]),
        (["--target", "ngc"], ["NGC 4565"]),
        (["--filter", "o"], ["OIII"]),
        (["--camera", "lan"], ["Lantern 26M"]),
        (["--type", "d"], ["dark", "dark flat"]),
        (["--finding", "data"], ["data cut short", "DATASUM does not hold"]),
        (["--twilight", "n"], ["nautical", "none"]),
        (["--or"], ["--order"]),
    ],
)
def test_names_are_completed(complete: Complete, words: list[str], names: list[str]) -> None:
    assert complete(*words) == names


def test_every_finding_is_offered(complete: Complete) -> None:
    assert set(complete("--finding", "")) == {"any", *FindingKind}


def test_the_archive_may_be_the_configurations(root: Path, tmp_path: Path) -> None:
    config = tmp_path / "nightferry.toml"
    config.write_text(f"[archive]\nfolder = '{root}'\n", encoding="utf-8")
    shell = ShellComplete(main, {}, "nightferry", "_NIGHTFERRY_COMPLETE")
    items = shell.get_completions(["frames", "--config", str(config), "--target"], "")
    assert [item.value for item in items] == ["M 51", "NGC 4565"]


def no_index(root: Path) -> None:
    (root / INDEX_NAME).unlink()


def a_damaged_index(root: Path) -> None:
    (root / INDEX_NAME).write_bytes(b"not an index")


def no_archive(root: Path) -> None:
    shutil.rmtree(root)


@pytest.mark.parametrize("happens", [no_index, a_damaged_index, no_archive])
def test_whatever_is_wrong_a_prompt_stays_quiet(
    root: Path, complete: Complete, happens: Callable[[Path], None], capfd: pytest.CaptureFixture[str]
) -> None:
    happens(root)
    before = sorted(root.rglob("*"))
    assert complete("--target", "") == []
    assert complete("--target", "", archive=root / "nowhere") == []
    assert capfd.readouterr() == ("", "")
    assert sorted(root.rglob("*")) == before


def test_a_broken_configuration_stays_quiet(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "nightferry.toml"
    config.write_text("this is not TOML", encoding="utf-8")
    shell = ShellComplete(main, {}, "nightferry", "_NIGHTFERRY_COMPLETE")
    assert shell.get_completions(["frames", "--config", str(config), "--target"], "") == []
    assert capfd.readouterr() == ("", "")


def test_a_name_that_could_act_on_a_terminal_is_not_offered(root: Path, complete: Complete) -> None:
    write_bag(root / "evil", [light(30, "M\x1b[2J", stem="evil")])
    build_index(root)
    assert complete("--target", "") == ["M 51", "NGC 4565"]


# In bash


@pytest.fixture
def in_bash(root: Path, tmp_path: Path) -> Callable[[str], list[str]]:
    if os.name == "nt" or shutil.which("bash") is None:
        pytest.skip("there is no bash")
    (tmp_path / "bin").mkdir()
    program = tmp_path / "bin" / "nightferry"
    here = Path(__file__).parents[3]
    program.write_text(
        f"#!/bin/sh\nPYTHONPATH='{here}' exec '{sys.executable}' -c"
        ' \'from transfer.cli.main import main; main(prog_name="nightferry")\' "$@"\n'
    )
    program.chmod(0o755)

    def completed(word: str) -> list[str]:
        script = (
            'eval "$(_NIGHTFERRY_COMPLETE=bash_source nightferry)"\n'
            f"COMP_WORDS=(nightferry frames --archive '{root}' --target {word})\n"
            "COMP_CWORD=5; _nightferry_completion nightferry\n"
            'printf "%s\\n" "${COMPREPLY[@]}"'
        )
        path = f"{tmp_path / 'bin'}{os.pathsep}{os.environ['PATH']}"
        ran = subprocess.run(
            ["bash", "-c", script],
            capture_output=True,
            text=True,
            check=True,
            env={**os.environ, "PATH": path},
        )
        assert ran.stderr == ""
        return ran.stdout.splitlines()

    return completed


def test_bash_gets_a_word_that_it_reads_as_the_name(in_bash: Callable[[str], list[str]]) -> None:
    assert in_bash("'M'") == [r"M\ 51"]
    assert in_bash("'\"M'") == ["M 51"]


@pytest.mark.parametrize("name", ["M 51", "Barnard's star", "the 'long' way; $HOME (panel 1) & more", "Hα°"])
def test_bash_reads_a_completed_word_as_the_name(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    if os.name == "nt" or shutil.which("bash") is None:
        pytest.skip("there is no bash")
    monkeypatch.setenv("COMP_WORDS", "nightferry\nframes\n--target\n")
    monkeypatch.setenv("COMP_CWORD", "3")
    from click.shell_completion import CompletionItem

    given = QuotingBash(main, {}, "nightferry", "_X").format_completion(CompletionItem(name))
    script = """IFS=',' read type value <<< "$1"; eval "printf %s $value\""""
    ran = subprocess.run(["bash", "-c", script, "bash", given], capture_output=True, check=True)
    assert ran.stdout.decode() == name
    assert issubclass(QuotingBash, BashComplete)
