import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from transfer.cli.main import _COMMANDS
from transfer.config import load_config
from transfer.config.schema import LOGS, SECTIONS
from transfer.errors import ExitCode

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMAND_LINES = re.findall(r"^    nightferry (\w+)", README, re.MULTILINE)


def configuration() -> str:
    found = re.search(r"```toml\n(.*?)```", README, re.DOTALL)
    assert found is not None
    return found[1]


def two_commands() -> list[str]:
    section = README.split("## Two commands", 1)[1].split("\n## ", 1)[0]
    return re.findall(r"```\n(.*?)\n```", section, re.DOTALL)


def test_the_readme_begins_with_one_paragraph_that_states_the_job() -> None:
    title, paragraph, heading = README.split("\n\n")[:3]
    assert title == "# nightferry"
    assert paragraph.startswith("nightferry brings a night")
    assert heading.startswith("## ")


def test_each_of_the_two_commands_is_one_line() -> None:
    first, second = two_commands()
    assert "\n" not in first + second
    assert first.endswith("nightferry send --config sample_session/nightferry.toml")
    assert second.endswith("pytest -q")


@pytest.mark.parametrize("name", sorted(_COMMANDS))
def test_every_command_is_in_the_readme(name: str) -> None:
    assert re.search(rf"^\|.*`{name}[ `]", README, re.MULTILINE)


def test_every_command_line_in_the_readme_names_a_command() -> None:
    assert COMMAND_LINES
    assert set(COMMAND_LINES) <= set(_COMMANDS)


@pytest.mark.parametrize("code", list(ExitCode))
def test_every_exit_code_is_in_the_readme(code: ExitCode) -> None:
    assert re.search(rf"^\| {int(code)} \| \w", README, re.MULTILINE)


def test_the_readme_has_every_key_of_the_configuration() -> None:
    text = configuration()
    sections = (*SECTIONS, LOGS)
    keys = {(one.header, key.name) for one in sections for key in one.keys if key.section is None}
    for header, key in keys:
        below = text.split(header, 1)[1].split("\n[", 1)[0]
        assert re.search(rf"^(# )?{key} = ", below, re.MULTILINE), f"{header} {key}"


def test_the_configuration_in_the_readme_is_one(tmp_path: Path) -> None:
    file = tmp_path / "nightferry.toml"
    file.write_text(configuration(), encoding="utf-8")
    config = load_config(file, {"HOME": str(tmp_path), "USERPROFILE": str(tmp_path)})
    assert {section.name for section in SECTIONS} == set(tomllib.loads(configuration()))
    assert config.send.time_limit_s == 1800


def test_the_table_of_faults_says_what_came_of_the_kept_trials() -> None:
    kept = ROOT / "tests/faults/results.jsonl"
    made = subprocess.run(
        [sys.executable, "-m", "tests.faults.results", kept],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    table = re.search(r"<!-- trials -->\n(.*?)<!-- end of trials -->", README, re.DOTALL)
    assert table is not None
    assert table[1] == made.stdout
