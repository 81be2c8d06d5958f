"""What `prepare` takes from a configuration, and what it says of it."""

from __future__ import annotations

import pytest

from tests.support.nights import run
from transfer.engine.drive import read_mark


@pytest.fixture
def stick(tmp_path):
    """Return a folder that was never prepared."""
    folder = tmp_path / "stick"
    folder.mkdir()
    return folder


def configuration(folder, *names):
    """Write a configuration that names these drives."""
    file = folder / "nightferry.toml"
    file.write_text("".join(f'[[drive]]\nname = "{name}"\n' for name in names))
    return file


def test_a_new_drive_gets_the_one_name_that_the_configuration_has(tmp_path, stick):
    ran = run("prepare", stick, "--config", configuration(tmp_path, "Field stick"))
    assert (ran.exit, read_mark(stick).name) == (0, "Field stick")


def test_a_folder_that_is_no_volume_is_to_be_named_with_its_place_until_the_configuration_has_it(
    tmp_path, stick
):
    file = configuration(tmp_path, "Field stick")
    ran = run("prepare", stick, "--config", file)
    assert f"  folder = '{stick}'" in ran.out
    file.write_text(f"[[drive]]\nname = \"Field stick\"\nfolder = '{stick}'\n")
    ran = run("prepare", stick, "--config", file)
    assert "Name it in nightferry.toml" not in ran.out
    assert run("prepare", stick, "--json").document["found_by_mark"] is False


def test_a_volume_that_the_configuration_names_needs_nothing_more(tmp_path, volumes):
    with volumes("exfat", size_mb=200) as drive:
        ran = run("prepare", drive.path, "--config", configuration(tmp_path, "Field stick"))
        assert ran.exit == 0
        assert "Name it in nightferry.toml" not in ran.out


def test_a_name_that_the_configuration_does_not_have_is_to_be_put_there(tmp_path, stick):
    ran = run("prepare", stick, "--name", "Spare", "--config", configuration(tmp_path, "Field stick"))
    assert (ran.exit, read_mark(stick).name) == (0, "Spare")
    assert 'name = "Spare"' in ran.out


def test_of_several_names_none_is_chosen_for_a_person(tmp_path, stick):
    ran = run("prepare", stick, "--config", configuration(tmp_path, "Field stick", "Spare"))
    assert (ran.exit, read_mark(stick)) == (2, None)
    assert "--name" in ran.err


def test_without_any_configuration_a_name_is_enough(stick):
    assert run("prepare", stick, "--name", "Field stick").exit == 0


def test_a_configuration_that_is_named_and_not_there_is_told(tmp_path, stick):
    ran = run("prepare", stick, "--name", "Field stick", "--config", tmp_path / "none.toml")
    assert (ran.exit, read_mark(stick)) == (2, None)
    assert "none.toml" in ran.err
