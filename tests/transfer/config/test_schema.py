from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.calibration.tolerances import Tolerances
from transfer.config import (
    Archive,
    BrokenConfig,
    ClearOptions,
    Config,
    DriveName,
    FollowOptions,
    SendOptions,
    Site,
    Source,
    SourceKind,
)
from transfer.config.schema import SECTIONS, config_from_tables
from transfer.config.values import yes_or_no
from transfer.errors import ExitCode

FILE = Path("/night/nightferry.toml")
WHOLE = {
    "site": {"name": "Larch Hollow", "latitude": 51.2, "longitude": -1.9},
    "source": [
        {
            "name": "frames",
            "folder": "frames",
            "take": ["**/*.fits"],
            "leave": ["previews/"],
            "kind": "frames",
        },
        {"name": "log", "folder": "/var/log/sky", "kind": "logs"},
    ],
    "drive": [{"name": "blue stick"}, {"name": "attic", "folder": "/mnt/attic"}],
    "archive": {"folder": "../archive"},
    "failure": [{"event": "connection lost"}],
    "send": {"time_limit": "30m", "catch_up_nights": 14, "make_room": True},
    "follow": {"tell": ["beep", "{line}"], "rest": "1m"},
    "clear": {"copies": 3, "proven_within": "100d", "keep_nights": 5},
    "records": {"folder": "records"},
    "targets": {"Owl cluster": ["NGC 457", "the owl"]},
    "filters": {"Ha": ["narrow red"]},
    "telescopes": {"Long Tom": ["EQ mount driver"]},
    "cameras": {"Lantern": ["CCD 0"]},
    "keywords": {"filter_name": ["WHEELPOS"]},
    "calibration": {
        "exposure_relative": 0.02,
        "exposure_s": 0.1,
        "dark_flat_exposure_relative": 0.2,
        "dark_flat_exposure_s": 1,
        "sensor_deg_c": 2,
        "rotation_deg": 5,
        "focal_length_relative": 0.05,
        "flat_nights": 7,
        "library_nights": 0,
        "least_count": 3,
    },
}


def config(tables):
    return config_from_tables(tables, FILE, {"HOME": "/home/ada"})


def problems(tables):
    with pytest.raises(BrokenConfig) as caught:
        config(tables)
    return caught.value.problems


def only_problem(tables):
    (problem,) = problems(tables)
    return problem


def changed(section, **keys):
    """Return the whole configuration with some keys of one section (its first table) changed."""
    written = WHOLE[section]
    first = written[0] if isinstance(written, list) else written
    table = {name: value for name, value in (first | keys).items() if value is not None}
    return WHOLE | {section: [table, *written[1:]] if isinstance(written, list) else table}


def test_every_key_becomes_a_setting():
    assert config(WHOLE) == Config(
        file=FILE,
        site=Site("Larch Hollow", 51.2, -1.9),
        sources=(
            Source("frames", Path("/night/frames"), ("**/*.fits",), ("previews/",), SourceKind.FRAMES),
            Source("log", Path("/var/log/sky"), kind=SourceKind.LOGS),
        ),
        drives=(DriveName("blue stick"), DriveName("attic", Path("/mnt/attic"))),
        archives=(Archive(Path("/night/../archive")),),
        send=SendOptions(1800, 14, make_room=True),
        follow=FollowOptions(60.0, ("beep", "{line}")),
        clear=ClearOptions(3, 100 * 86400.0, 5),
        records_folder=Path("/night/records"),
        targets={"NGC 457": "Owl cluster", "the owl": "Owl cluster"},
        filters={"narrow red": "Ha"},
        telescopes={"EQ mount driver": "Long Tom"},
        cameras={"CCD 0": "Lantern"},
        keywords={"filter_name": ("WHEELPOS",)},
        calibration=Tolerances(0.02, 0.1, 0.2, 1.0, 2.0, 5.0, 0.05, 7, 0, 3),
        failures=("connection lost",),
    )


def test_an_empty_file_is_a_configuration():
    assert config({}) == Config(file=FILE)


@pytest.mark.parametrize(
    "written", ["beep {line}", [], ["beep"], ["{line}"], ["", "{line}"], ["beep", 1], ["{line}", "{line}"]]
)
def test_what_is_told_lines_is_a_program_and_its_words(written):
    problem = only_problem(changed("follow", tell=written))
    assert (problem.key, "in a list" in problem.expected) == ("follow.tell", True)


def test_a_site_may_have_a_name_alone():
    assert config({"site": {"name": "Larch Hollow"}}).site == Site("Larch Hollow", None, None)


HOUSE, ATTIC = {"name": "house", "folder": "a"}, {"name": "attic", "folder": "b"}


def test_of_several_archives_the_first_is_the_one_that_is_asked():
    several = config({"archive": [HOUSE, ATTIC]})
    assert several.archives == (Archive(Path("/night/a"), "house"), Archive(Path("/night/b"), "attic"))
    assert several.archive == several.archives[0]
    assert [each.label for each in several.archives] == ["house", "attic"]


def test_one_archive_needs_no_name_in_either_form():
    one = config({"archive": {"folder": "a"}})
    assert one == config({"archive": [{"folder": "a"}]})
    assert one.archive.label == str(Path("/night/a"))
    assert config({}).archive is None


def test_several_archives_have_a_name_and_a_folder_each():
    assert only_problem({"archive": [{"folder": "a"}, ATTIC]}).key == "archive[1].name"
    assert only_problem({"archive": [HOUSE, ATTIC | {"folder": "./a"}]}).key == "archive[2].folder"
    assert only_problem({"archive": [HOUSE, ATTIC | {"name": "House"}]}).key == "archive[2].name"
    assert only_problem({"archive": 5}).expected == "a section that begins with [archive]"


def test_a_source_takes_every_file_as_frames_unless_it_says_otherwise():
    (source,) = config({"source": [{"name": "all", "folder": "x"}]}).sources
    assert (source.take, source.leave, source.kind) == (("**",), (), SourceKind.FRAMES)


REQUIRED = [(section, key) for section in SECTIONS for key in section.keys if key.required]
EVERY = [(section, key) for section in SECTIONS for key in section.keys if key.section is None]


@pytest.mark.parametrize(("section", "key"), REQUIRED, ids=lambda part: part.name)
def test_a_key_that_is_missing_is_named(section, key):
    problem = only_problem(changed(section.name, **{key.name: None}))
    place = f"{section.name}[1]" if isinstance(WHOLE[section.name], list) else section.name
    assert (problem.key, problem.value) == (f"{place}.{key.name}", "")
    assert str(problem).startswith(f"{place}.{key.name} is missing: expected a ")


@pytest.mark.parametrize(("section", "key"), EVERY, ids=lambda part: part.name)
@pytest.mark.parametrize("value", [True, {"a": 1}, [[1]], -1000])
def test_a_key_of_the_wrong_type_is_named_with_its_value(section, key, value):
    if value is True and key.read is yes_or_no:
        return
    problem = only_problem(changed(section.name, **{key.name: value}))
    assert problem.key.endswith(f".{key.name}")
    assert problem.value in ("true", "{'a': 1}", "[[1]]", "-1000")
    assert problem.expected


@pytest.mark.parametrize(("section", "key"), EVERY, ids=lambda part: part.name)
def test_a_misspelt_key_is_told_the_nearest_and_not_that_it_is_missing_as_well(section, key):
    misspelt = key.name[:-1]
    tables = changed(section.name, **{key.name: None, misspelt: "x"})
    problem = only_problem(tables)
    assert problem.key.endswith(f".{misspelt}")
    assert problem.nearest == key.name
    assert f"did you mean {key.name}?" in str(problem)


@pytest.mark.parametrize(
    ("written", "meant"), [("lat", "latitude"), ("long", "longitude"), ("Latitude", "latitude"), ("x", "")]
)
def test_a_key_cut_short_is_understood(written, meant):
    assert only_problem({"site": {written: 1}}).nearest == meant


@pytest.mark.parametrize(
    ("written", "meant"), [("sources", "[[source]]"), ("Drive", "[[drive]]"), ("sit", "[site]")]
)
def test_a_misspelt_section_is_told_the_nearest(written, meant):
    assert only_problem({written: {}}).nearest == meant


def test_a_key_in_the_wrong_section_is_told_the_right_one():
    assert only_problem({"latitude": 51.2}).nearest == "latitude in [site]"
    assert only_problem(changed("archive", time_limit="30m")).nearest == "time_limit in [send]"


def test_single_brackets_where_there_may_be_many_are_explained():
    assert only_problem({"source": {"name": "a", "folder": "b"}}).expected == "[[source]], in double brackets"
    assert only_problem({"site": [{"name": "a"}]}).expected == "a section that begins with [site]"
    assert only_problem({"drive": ["stick"]}).key == "drive[1]"


@pytest.mark.parametrize("section", ["source", "drive"])
def test_a_name_given_twice_is_refused_whatever_its_case(section):
    tables = [{"name": name, "folder": "x"} for name in ("Stra\u00dfe", "b", "STRASSE")]
    problem = only_problem({section: tables})
    assert (problem.key, problem.value) == (f"{section}[3].name", '"STRASSE"')
    assert "no other" in problem.expected


def test_every_problem_comes_out_at_once_with_the_file_in_front():
    tables = changed("site", longitude="1.9 W") | {"source": [{"name": "a"}], "sned": {}}
    with pytest.raises(BrokenConfig) as caught:
        config(tables)
    lines = str(caught.value).splitlines()
    assert lines[0] == f"{FILE}: 3 keys need a change."
    assert len(lines) == 4
    assert caught.value.exit_code is ExitCode.WRONG_USE


def test_a_single_problem_is_one_line():
    with pytest.raises(BrokenConfig) as caught:
        config(changed("site", longitude="1.9 W"))
    assert str(caught.value) == (
        f'{FILE}: site.longitude = "1.9 W": expected degrees as a number from -180 to 360,'
        " east positive and west negative; write -1.9, without quotes"
    )


def test_a_long_value_is_cut_and_a_number_without_end_is_not_written_out():
    assert len(only_problem(changed("send", time_limit="x" * 999)).value) < 70
    assert only_problem(changed("send", time_limit=1 << 99_999)).value == "a number too long to show"


KNOWN_NAMES = [section.name for section in SECTIONS] + [key.name for _, key in EVERY]
KEYS = st.sampled_from(KNOWN_NAMES) | st.text(max_size=5)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=12,
)


@given(st.dictionaries(KEYS, VALUES, max_size=5))
def test_any_tables_are_a_configuration_or_a_list_of_problems(tables):
    try:
        found = config(tables)
    except BrokenConfig as error:
        found = error
    assert isinstance(found, Config) or all(problem.key and problem.expected for problem in found.problems)
