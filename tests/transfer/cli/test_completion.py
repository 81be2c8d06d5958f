"""What a shell completes: the archive's names, quietly."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.shell_completion import ShellComplete

from manifests.findings import FindingKind
from manifests.index.schema import INDEX_NAME
from tests.support.archives import light, small_archive, write_bag
from transfer.cli.main import main
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


@pytest.mark.parametrize(
    ("shell", "names"),
    [("bash", ["M 51", "M_33", "NGC 4565"]), ("zsh", ["M 51", "M_33", "NGC 4565"]), ("powershell", ["M_33"])],
)
def test_a_shell_in_which_nobody_has_tried_it_gets_names_that_need_no_quotes(
    root: Path, complete: Complete, monkeypatch: pytest.MonkeyPatch, shell: str, names: list[str]
) -> None:
    write_bag(root / "more", [light(30, "M_33", stem="more")])
    build_index(root)
    monkeypatch.setenv("_NIGHTFERRY_COMPLETE", f"{shell}_complete")
    assert complete("--target", "") == names
