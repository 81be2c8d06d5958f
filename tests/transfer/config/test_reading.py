import os
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from transfer.config import Config, Site, find_config, load_config
from transfer.config.reading import CONFIG_NAME, CONFIG_VARIABLE
from transfer.errors import ConfigurationError

SITE = '[site]\nname = "Larch Hollow"\n'


@pytest.fixture
def written(tmp_path):
    file = tmp_path / CONFIG_NAME

    def write(content):
        file.write_bytes(content.encode() if isinstance(content, str) else content)
        return file

    return write


def refusal(file):
    with pytest.raises(ConfigurationError) as caught:
        load_config(file, {})
    assert caught.value.path == str(file)
    return str(caught.value)


@pytest.mark.parametrize("content", [SITE, "\ufeff" + SITE, SITE.replace("\n", "\r\n")])
def test_a_file_is_read_whatever_editor_wrote_it(written, content):
    file = written(content)
    assert load_config(file, {}) == Config(file=file, site=Site("Larch Hollow"))


def test_folders_are_relative_to_the_file_and_not_to_the_caller(written, monkeypatch, tmp_path):
    file = written("[archive]\nfolder = 'archive'")
    monkeypatch.chdir(tmp_path)
    assert load_config(Path(CONFIG_NAME), {}).archive.folder == file.parent / "archive"


def test_a_broken_line_is_shown_with_its_number(written):
    message = refusal(written('[site]\nname = "Larch Hollow\n'))
    assert "line 2" in message
    assert 'name = "Larch Hollow' in message


@pytest.mark.parametrize("folder", ["C:\\Users\\ada", "C:\\home", "D:\\astro\\x"])
def test_a_backslash_in_double_quotes_is_explained(written, folder):
    assert "single quotes" in refusal(written(f'[archive]\nfolder = "{folder}"\n'))


def test_a_backslash_that_toml_takes_for_an_escape_is_explained(written):
    assert "single quotes" in refusal(written('[archive]\nfolder = "C:\\new\\frames"\n'))


def test_a_folder_without_quotes_is_explained(written):
    assert "quotes" in refusal(written("[archive]\nfolder = /data/archive\n"))
    assert "Write text in quotes" in refusal(written("[archive]\nfolder = archive\n"))
    assert "straight quotes" in refusal(written("[archive]\nfolder = “archive”\n"))
    assert "straight quotes" in refusal(written("[archive]\nfolder = “C:\\archive”\n"))


def test_a_backslash_in_double_quotes_is_told_what_to_write_instead(written):
    message = refusal(written('[archive]\nfolder = "C:\\Users\\ada"\n'))
    assert message.endswith("Write a path in single quotes: folder = 'C:\\Users\\ada'")


@pytest.mark.parametrize(
    ("line", "advice"),
    [
        ("longitude = 1.9 W", "east positive, west negative: longitude = -1.9"),
        ("longitude = 1.9W # of Greenwich", "longitude = -1.9"),
        ("longitude = W", "east positive, west negative: longitude = -1.9"),
        ("latitude = 33.9 S", "north positive, south negative: latitude = -33.9"),
    ],
)
def test_degrees_with_a_letter_are_told_the_number_to_write(written, line, advice):
    message = refusal(written(f"[site]\n{line}\n"))
    assert advice in message
    assert line in message


def test_a_file_in_another_encoding_is_told_so(written):
    assert "stored as UTF-16" in refusal(written(SITE.encode("utf-16")))
    assert "stored as UTF-16" in refusal(written(SITE.encode("utf-16-le")))
    assert "stored as UTF-16" in refusal(written(SITE.encode("utf-16-be")))
    assert "Line 2 is not UTF-8" in refusal(written(b"[site]\nname = 'Obs\xe9'"))
    assert "choose Save as, and UTF-8" in refusal(written(b"[site]\nname = 'Obs\xe9'"))


def test_a_file_of_zeros_is_not_taken_for_utf_16(written):
    assert "UTF-16" not in refusal(written(bytes(100)))


def test_tables_that_lie_too_deep_are_refused(written):
    assert "too deep" in refusal(written("x = " + "[" * 20_000))


@pytest.mark.parametrize("line", ["{} = 1", "[{}]", "x = {{ {} = 1 }}"])
def test_a_key_of_thousands_of_parts_is_refused_at_once(written, line):
    assert "too deep" in refusal(written(SITE + line.format("a." * 20_000 + "a")))


def test_a_line_of_dots_in_a_comment_is_no_key(written):
    assert load_config(written(f"# {'.' * 200}\n{SITE}"), {}).site == Site("Larch Hollow")


def test_what_could_act_on_a_terminal_is_spelt_out_in_a_broken_line(written):
    assert "\\x1b[2J\\x00" in refusal(written("site = \x1b[2J\0\n"))


def test_a_number_without_end_is_refused(written):
    assert "not TOML" in refusal(written("x = " + "9" * 20_000))
    assert "too long to show" in refusal(written("[send]\ntime_limit = 0x" + "f" * 20_000))


def test_a_file_that_is_far_too_large_is_refused(written):
    assert "far too large" in refusal(written(b"#" * (1 << 21)))


def test_a_folder_is_not_a_configuration(tmp_path):
    assert "not a file" in refusal(tmp_path)


def test_a_file_that_is_not_there_is_refused(tmp_path):
    assert "cannot be read" in refusal(tmp_path / "nope.toml")
    assert "cannot be read" in refusal(tmp_path / "nope\0.toml")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes in the file system here")
def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    assert "not a file" in refusal(tmp_path / "pipe")


TOML_TEXT = st.text("[]{}=\"'#.,\\\n abcsite0-9:TZ", max_size=60)


@given(
    st.binary(max_size=200) | TOML_TEXT.map(str.encode) | TOML_TEXT.map(lambda text: (SITE + text).encode())
)
@example(b"\xff\xfe[")
@example(b"x = 2026-13-45")
@example(b"x = {")
@example(b"a.b = 1\n[a.b]")
def test_whatever_a_file_holds_it_is_read_or_refused(tmp_path_factory, content):
    file = tmp_path_factory.getbasetemp() / "any.toml"
    file.write_bytes(content)
    try:
        named = load_config(file, {}).file
    except ConfigurationError as error:
        named = error.path
    assert str(named) == str(file)


@pytest.fixture
def places(tmp_path):
    """Return a folder to be in, and the user's configuration folder."""
    here, user = tmp_path / "here", tmp_path / "user"
    here.mkdir()
    user.mkdir()
    return here, user


def test_the_nearest_configuration_is_found(places):
    here, user = places
    files = [here / "named.toml", here / "variable.toml", here / CONFIG_NAME, user / CONFIG_NAME]
    for file in files:
        file.touch()
    environ = {CONFIG_VARIABLE: "variable.toml"}
    assert find_config("named.toml", environ, here, user) == files[0]
    assert find_config(str(files[0]), environ, here, user) == files[0]
    assert find_config(None, environ, here, user) == files[1]
    assert find_config(None, {CONFIG_VARIABLE: f'"{files[1]}"'}, here, user) == files[1]
    assert find_config(None, {CONFIG_VARIABLE: ""}, here, user) == files[2]
    files[2].unlink()
    assert find_config(None, {}, here, user) == files[3]


def test_without_a_configuration_the_next_step_is_setup(places):
    with pytest.raises(ConfigurationError, match="nightferry setup") as caught:
        find_config(None, {}, *places)
    assert all(str(place / CONFIG_NAME) in str(caught.value) for place in places)


def test_a_configuration_that_was_asked_for_is_never_replaced_by_another(places):
    here, user = places
    (here / CONFIG_NAME).touch()
    with pytest.raises(ConfigurationError, match=r"nope\.toml.*--config"):
        find_config("nope.toml", {}, here, user)
    with pytest.raises(ConfigurationError, match=rf"nope\.toml.*{CONFIG_VARIABLE}"):
        find_config(None, {CONFIG_VARIABLE: "nope.toml"}, here, user)
