"""A nightferry.toml as it is written on Windows: other editors, other ends of lines, backslashes."""

from __future__ import annotations

import codecs

import pytest

from tests.support.nights import Computer, prepared
from tests.windows.rig import Rig


@pytest.fixture
def computer(rig: Rig) -> Computer:
    made = Computer(rig.root("d") / "imaging")
    made.small_night()
    prepared(rig.root("d") / "stick")
    return made


@pytest.mark.parametrize("mark", [b"", codecs.BOM_UTF8], ids=["plain", "marked"])
def test_ends_of_lines_and_the_mark_of_windows_editors_change_nothing(rig, computer, mark):
    text = computer.file.read_bytes().replace(b"computer/frames", b"computer\\\\frames")
    computer.file.write_bytes(mark + text.replace(b"\n", b"\r\n"))
    sent = rig.run("send", "--drive", "D:\\stick", "--config", computer.file, "--json")
    assert (sent.exit, sent.document["files_proven"]) == (0, 5), sent.out


def refused(rig, computer) -> str:
    ran = rig.run("plan", "--config", computer.file)
    assert ran.exit == 2, ran.out + ran.err
    assert "Traceback" not in ran.err
    return ran.err


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ('"C:\\Users\\ada\\frames"', "folder = 'C:\\Users\\ada\\frames'"),
        ('"D:\\new frames"', "single quotes or with forward slashes"),
        ("“D:\\frames”", "Use straight quotes."),
        ("'D:frames'", "with a slash behind its drive letter, such as D:/frames"),
    ],
)
def test_a_path_that_cannot_be_meant_is_told_what_to_write_instead(rig, computer, written, told):
    text = computer.file.read_text().replace('"computer/frames"', written)
    computer.file.write_text(text, encoding="utf-8")
    assert told in refused(rig, computer)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "cp1252"])
def test_another_encoding_is_named_with_what_to_do(rig, computer, encoding):
    text = computer.file.read_text().replace("Test Down", "Höhe 3")
    computer.file.write_bytes(text.encode(encoding))
    assert "choose Save as, and UTF-8 as the encoding" in refused(rig, computer)


def test_the_variable_may_have_quotes_around_its_path(rig, computer):
    file = rig.name_of(computer.file)
    ran = rig.run("plan", "--drive", "D:\\stick", environ={"NIGHTFERRY_CONFIG": f'"{file}"'})
    assert ran.exit == 0, ran.err
