import os
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.readings.log_reading import LogReader
from transfer.config import DriveName, Source, SourceKind, load_config
from transfer.config.schema import LOGS, SECTIONS
from transfer.jobs.setup import FoundFolder, FoundHere, found_lines, look_around, setup_text


def loaded(found, folder):
    file = folder / "nightferry.toml"
    file.write_text(setup_text(found), encoding="utf-8")
    return load_config(file, {"HOME": str(found.home), "USERPROFILE": str(found.home)})


def touch(home, *paths):
    for path in paths:
        file = home / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.touch()


def test_a_file_written_where_nothing_was_found_is_a_configuration(tmp_path):
    config = loaded(FoundHere(tmp_path), tmp_path)
    assert (config.sources, config.drives, config.archive) == ((), (), None)


@pytest.mark.parametrize("section", [*SECTIONS, LOGS], ids=lambda section: section.name)
def test_every_key_is_explained_in_the_file(tmp_path, section):
    text = setup_text(FoundHere(tmp_path))
    assert section.header in text
    assert all(f"{key.name} = " in text for key in section.keys if key.section is None)


def test_the_commented_lines_are_a_configuration_too(tmp_path):
    uncommented = re.sub(r"(?m)^# (\[|[a-z_]+ = )", r"\1", setup_text(FoundHere(tmp_path)))
    (tmp_path / "nightferry.toml").write_text(uncommented, encoding="utf-8")
    config = load_config(tmp_path / "nightferry.toml", {"HOME": "/home/ada"})
    assert (config.site.latitude_deg, config.site.longitude_deg) == (51.2, -1.9)
    (source,) = config.sources
    assert replace(source, logs=()) == Source("frames", Path("/home/ada/frames"), ("**/*.fits",))
    assert LogReader(source.logs[0]).units == ("deg_C",)
    assert config.failures == ("connection lost",)
    assert config.drives == (DriveName("stick"),)
    assert config.send.time_limit_s == 1800
    assert config.archive
    assert config.records_folder


def test_frames_are_found_where_the_next_night_will_be_too(tmp_path):
    touch(tmp_path, "Pictures/sky/2026-03-14/Light/1.FITS", "Pictures/sky/2026-03-14/Light/2.fit")
    touch(tmp_path, "frames/a/b/c.fits.fz", "Pictures/holiday/a.jpg", "Documents/x.fts")
    found = look_around(tmp_path)
    assert found.folders == (
        FoundFolder(tmp_path / "Pictures/sky", frames=2),
        FoundFolder(tmp_path / "Documents", frames=1),
        FoundFolder(tmp_path / "frames", frames=1),
    )
    assert found.whole


def test_logs_are_found_by_their_ending_and_by_their_folder(tmp_path):
    touch(tmp_path, "Documents/sky/mount.LOG", "Documents/sky/Logs/focus.json", "Documents/notes.txt")
    assert look_around(tmp_path).folders == (FoundFolder(tmp_path / "Documents/sky", logs=2),)


def test_logs_that_end_in_txt_are_found_by_a_date_or_the_word_log(tmp_path):
    touch(tmp_path, "Documents/sky/guiding 2026-03-14.txt", "Documents/sky/20260315_notes.txt")
    touch(tmp_path, "Documents/sky/focus_log.txt", "Documents/sky/Log-03.txt")
    touch(tmp_path, "Documents/sky/catalog.txt", "Documents/sky/prologue.txt", "Documents/sky/logistics.txt")
    (found,) = look_around(tmp_path).folders
    assert found == FoundFolder(tmp_path / "Documents/sky", logs=4)


def test_a_folder_that_mirrors_the_systems_folders_is_no_source_itself(tmp_path):
    touch(tmp_path, "Mirror of mine/Pictures/sky/a/1.fits", "Mirror of mine/frames/b/2.fits", "own/c/3.fits")
    assert {each.folder for each in look_around(tmp_path).folders} == {
        tmp_path / "Mirror of mine/Pictures/sky",
        tmp_path / "Mirror of mine/frames",
        tmp_path / "own",
    }


def test_what_was_found_is_told(tmp_path):
    folders = (FoundFolder(tmp_path / "sky", 1, 3), FoundFolder(tmp_path / "build", 0, 1))
    lines = list(found_lines(FoundHere(tmp_path, folders, drives=("Field stick",), whole=False)))
    assert lines == [
        f"Found below {tmp_path}: 1 frame and 4 logs.",
        f"  {tmp_path / 'sky'}: 1 frame and 3 logs",
        f"  {tmp_path / 'build'}: 1 log; no frames are near, so the section is only a comment",
        "The search took long and was ended early: there may be more.",
        "Prepared drives that are connected: Field stick",
    ]


def test_hidden_folders_and_programs_are_passed_over(tmp_path):
    touch(tmp_path, ".cache/a.fits", "AppData/b.log", "x/node_modules/c.log", "$RECYCLE.BIN/d.fits", "e.fits")
    assert look_around(tmp_path).folders == ()


@pytest.mark.skipif(os.name == "nt", reason="needs links and POSIX names")
def test_links_strange_names_and_a_home_that_is_not_there_do_no_harm(tmp_path):
    touch(tmp_path, "x/a.fits", "two\nlines/a.fits", "back\\slash/a.fits", "bad\udcff/a.fits")
    (tmp_path / "x/loop").symlink_to(tmp_path)
    assert look_around(tmp_path).folders == (FoundFolder(tmp_path / "x", frames=1),)
    assert look_around(tmp_path / "missing").folders == ()


def test_a_search_that_takes_long_ends_and_says_so(tmp_path):
    touch(tmp_path, "a/1.fits", "b/c/2.fits", "d/e/3.fits")
    seconds = iter(range(100))
    found = look_around(tmp_path, at_most_s=4, clock=lambda: next(seconds))
    assert len(found.folders) == 1
    assert not found.whole
    assert "ended early" in setup_text(found)


def test_what_was_found_becomes_sources_and_drives(tmp_path):
    home = Path(tmp_path)
    folders = (
        FoundFolder(tmp_path / "sky", 40, 3),
        FoundFolder(tmp_path / "SKY", 2),
        FoundFolder(home / "build", 0, 9),
    )
    config = loaded(FoundHere(home, folders, drives=("blue stick", "Ada's")), tmp_path)
    assert [(source.name, source.folder, source.kind) for source in config.sources] == [
        ("sky", tmp_path / "sky", SourceKind.FRAMES),
        ("SKY (2)", tmp_path / "SKY", SourceKind.FRAMES),
    ]
    # A pattern that takes less than the program beside it writes would leave frames behind.
    assert {source.take for source in config.sources} == {("**",)}
    assert [drive.name for drive in config.drives] == ["blue stick", "Ada's"]


def test_two_drives_of_one_name_are_one_section(tmp_path):
    found = FoundHere(tmp_path, drives=("stick", "card", "Stick", "two\nlines"))
    assert [drive.name for drive in loaded(found, tmp_path).drives] == ["stick", "card"]


def test_logs_far_from_any_frame_are_only_a_hint(tmp_path):
    text = setup_text(FoundHere(tmp_path, (FoundFolder(tmp_path / "build", logs=9),)))
    assert "# name = 'build'" in text


@pytest.mark.parametrize(
    ("offset_h", "longitude_deg"), [(-5, -75.0), (5.5, 82.5), (13, -165.0), (-12, 180.0)]
)
def test_the_longitude_is_a_guess_from_the_time_zone_and_says_so(tmp_path, offset_h, longitude_deg):
    found = FoundHere(tmp_path, utc_offset_h=offset_h)
    assert loaded(found, tmp_path).site.longitude_deg == longitude_deg
    assert "A GUESS" in setup_text(found)


def test_a_clock_set_to_utc_is_no_place(tmp_path):
    assert loaded(FoundHere(tmp_path, utc_offset_h=0), tmp_path).site.longitude_deg is None


NAMES = st.text("aA '\"$%{}~#[]=.", min_size=1, max_size=9).filter(lambda name: name not in (".", ".."))


@given(
    st.lists(NAMES, max_size=5, unique=True),
    st.lists(NAMES.filter(str.strip), max_size=3, unique_by=str.lower),
)
def test_whatever_the_folders_and_drives_are_called_the_file_loads(tmp_path_factory, names, drives):
    home = tmp_path_factory.getbasetemp()
    folders = tuple(FoundFolder(home / name, 1, 1) for name in names)
    config = loaded(FoundHere(home, folders, drives=tuple(drives)), home)
    assert [source.folder for source in config.sources] == [found.folder for found in folders]
    assert [drive.name for drive in config.drives] == drives
