from pathlib import PurePosixPath, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from transfer.config.folders import FolderError, folder_as_written

POSIX = PurePosixPath("/home/ada/night")
WINDOWS = PureWindowsPath("C:/Users/ada/night")
ENVIRON = {
    "HOME": "/home/ada",
    "USERPROFILE": "C:\\Users\\ada",
    "DATA": "/data",
    "FOLDER(x)": "E:\\f",
    "EMPTY": "",
}


@pytest.mark.parametrize(
    ("written", "path"),
    [
        ("frames", "/home/ada/night/frames"),
        ("frames/tonight", "/home/ada/night/frames/tonight"),
        ("frames\\tonight", "/home/ada/night/frames/tonight"),
        ("..\\frames", "/home/ada/night/../frames"),
        (".", "/home/ada/night"),
        ("/data/frames", "/data/frames"),
        ("~", "/home/ada"),
        ("~/frames", "/home/ada/frames"),
        ("~\\frames", "/home/ada/frames"),
        ("~frames", "/home/ada/night/~frames"),
        ("a/~/b", "/home/ada/night/a/~/b"),
        ("$DATA/frames", "/data/frames"),
        ("${DATA}/frames", "/data/frames"),
        ("%DATA%\\frames", "/data/frames"),
        ("x$$DATA/100%%/5%", "/home/ada/night/x$DATA/100%/5%"),
        ("an observer's place/été", "/home/ada/night/an observer's place/été"),
    ],
)
def test_a_folder_is_found_as_it_is_written(written, path):
    assert folder_as_written(written, POSIX, ENVIRON) == PurePosixPath(path)


@pytest.mark.parametrize(
    ("written", "path"),
    [
        ("frames/tonight", "C:/Users/ada/night/frames/tonight"),
        ("frames\\tonight", "C:/Users/ada/night/frames/tonight"),
        ("D:\\frames", "D:/frames"),
        ("D:/frames", "D:/frames"),
        ("D:", "D:/"),
        ("d:\\", "D:/"),
        ("\\\\box\\share\\frames", "//box/share/frames"),
        ("~\\frames", "C:/Users/ada/frames"),
        ("~/frames", "C:/Users/ada/frames"),
        ("%USERPROFILE%\\frames", "C:/Users/ada/frames"),
        ("%FOLDER(x)%\\frames", "E:/f/frames"),
        ("${FOLDER(x)}/frames", "E:/f/frames"),
    ],
)
def test_a_folder_is_found_as_it_is_written_on_windows(written, path):
    assert folder_as_written(written, WINDOWS, ENVIRON) == PureWindowsPath(path)


@pytest.mark.parametrize("written", ["$NOPE/frames", "${NOPE}", "%NOPE%", "$EMPTY/frames"])
def test_a_variable_that_is_not_set_is_named_and_never_taken_for_nothing(written):
    with pytest.raises(FolderError, match="is not set here"):
        folder_as_written(written, POSIX, ENVIRON)


def test_what_a_variable_holds_is_not_read_again():
    assert folder_as_written("$A", POSIX, {"A": "$B/~", "B": "b"}) == POSIX / "$B/~"


@pytest.mark.parametrize("written", ["C:\temp", "C:\new", "C:\x00"])
def test_a_backslash_that_became_a_control_character_is_explained(written):
    with pytest.raises(FolderError, match="single quotes"):
        folder_as_written(written, POSIX, ENVIRON)


@pytest.mark.parametrize("written", ["D:frames", "D:frames\\tonight", "D:..", "C:frames"])
def test_a_drive_letter_without_a_slash_is_no_folder_of_whatever_is_the_current_one(written):
    with pytest.raises(FolderError, match=r"slash behind its drive letter, such as [CD]:/"):
        folder_as_written(written, WINDOWS, ENVIRON)
    assert folder_as_written(written, POSIX, ENVIRON).is_relative_to(POSIX)


@pytest.mark.parametrize("written", ["", "  "])
def test_an_empty_folder_is_refused(written):
    with pytest.raises(FolderError, match="empty"):
        folder_as_written(written, POSIX, ENVIRON)


@given(st.text("$%{}()~/\\aDT. "), st.sampled_from([POSIX, WINDOWS]))
def test_any_text_is_a_folder_or_is_refused(written, base):
    try:
        folder = folder_as_written(written, base, ENVIRON)
    except FolderError:
        return
    assert type(folder) is type(base)
