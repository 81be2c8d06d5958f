"""The person's own names for targets and filters, and keywords of headers."""

from __future__ import annotations

from pathlib import Path

import pytest

from manifests.frames.keywords import KEYWORDS
from manifests.frames.names.filters import FilterNames
from manifests.frames.names.targets import TargetNames
from transfer.config import BrokenConfig, Config, load_config


def configured(tmp_path: Path, text: str) -> Config:
    file = tmp_path / "nightferry.toml"
    file.write_text(text, encoding="utf-8")
    return load_config(file, {})


def test_a_name_stands_for_every_spelling_given_to_it(tmp_path: Path) -> None:
    config = configured(
        tmp_path, '[targets]\n"Owl cluster" = ["NGC 457", "the owl"]\n[filters]\nHa = ["narrow red"]\n'
    )
    targets, filters = TargetNames(config.targets), FilterNames(config.filters)
    assert targets.name("ngc457").canonical == "Owl cluster"
    assert targets.name("The Owl").canonical == "Owl cluster"
    assert filters.name("Narrow Red").canonical == "Ha"


def test_without_the_sections_there_are_no_names_of_ones_own(tmp_path: Path) -> None:
    config = configured(tmp_path, "")
    assert (config.targets, config.filters, config.keywords) == ({}, {}, {})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[targets]\n"M 31" = "Andromeda"\n', "a list of spellings in brackets"),
        ('[targets]\n"M 31" = ["Andromeda", 7]\n', "a list of spellings in brackets"),
        ('[filters]\n"" = ["x"]\n', "a name, in quotes"),
        ('[targets]\n"M 31" = ["core"]\n"M 33" = ["core"]\n', 'spellings that "M 31" does not have'),
        ('[[targets]]\nname = "M 31"\n', "a section that begins with [targets]"),
        ('[keywords]\nexposure = ["EXP"]\n', "did you mean exposure_s?"),
        ('[keywords]\nexposure_s = "EXP"\n', "a list of spellings in brackets"),
        ('[keywords]\ngain = ["G"]\noffset = ["G"]\n', "spellings that gain does not have"),
    ],
)
def test_a_table_that_cannot_be_meant_is_refused_with_what_was_expected(
    tmp_path: Path, text: str, said: str
) -> None:
    with pytest.raises(BrokenConfig) as caught:
        configured(tmp_path, text)
    assert said in str(caught.value)


def test_keywords_of_ones_own_come_before_the_known_ones(tmp_path: Path) -> None:
    config = configured(tmp_path, '[keywords]\nfilter_name = ["wheelpos"]\n')
    table = KEYWORDS.extended(config.keywords)
    assert table.keywords["filter_name"][:2] == ("WHEELPOS", "FILTER")
