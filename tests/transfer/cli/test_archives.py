"""Which archive a command works on: by name, by folder, by default."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.support.archives import small_archive
from transfer.cli.archives import chosen_archive
from transfer.cli.main import main
from transfer.errors import ConfigurationError, ExitCode, NotThere

BOTH = """
[[archive]]
name = "house"
folder = "one"
[[archive]]
name = "Attic"
folder = "two"
[filters]
Ha = ["narrow red"]
"""


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "nightferry.toml").write_text(BOTH, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("NIGHTFERRY_CONFIG", raising=False)
    return tmp_path


def test_the_first_archive_is_asked_unless_another_is_named(here: Path) -> None:
    assert chosen_archive(None, None).root == here / "one"
    assert chosen_archive(None, Path("attic")).root == here / "two"
    assert chosen_archive(None, Path("attic")).own.filters == {"narrow red": "Ha"}


def test_a_folder_is_taken_as_before_and_needs_no_configuration(here: Path) -> None:
    (here / "three").mkdir()
    chosen = chosen_archive(None, Path("three"))
    assert (chosen.root, chosen.own.filters, chosen.config_file) == (here / "three", {}, None)
    (here / "nightferry.toml").write_text("[archive", encoding="utf-8")
    assert chosen_archive(None, Path("three")).root == here / "three"
    with pytest.raises(ConfigurationError):
        chosen_archive(None, Path("attic"))


def test_a_name_that_no_archive_has_is_told_the_names_there_are(here: Path) -> None:
    with pytest.raises(NotThere) as told:
        chosen_archive(None, Path("atic"))
    assert "'house', 'Attic'" in told.value.next_step
    assert told.value.exit_code is ExitCode.NOT_THERE


def test_a_question_is_answered_by_the_archive_that_was_named(here: Path) -> None:
    small_archive(here / "two")
    answer = CliRunner().invoke(main, ["targets", "--archive", "attic"])
    assert answer.exit_code == ExitCode.PROVEN, answer.stderr
    assert "M 51" in answer.stdout
