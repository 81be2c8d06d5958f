import contextlib
import re
from fnmatch import fnmatchcase

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from transfer.config.patterns import NearMiss, PatternError, Patterns, near_misses

NAME = st.text("aB.-é[", min_size=1, max_size=6).filter(lambda name: name not in (".", ".."))
NAME_PATTERN = st.text("aB.-é*?[!]", min_size=1, max_size=7).filter(
    lambda name: name not in (".", "..", "**")
)


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        ("**/*.fits", "a.fits"),
        ("**/*.fits", "Lights/Ha/a.FITS"),
        ("*.fits", "A.FitS"),
        ("Lights/*.fits", "lights/a.fits"),
        ("lights\\*.fits", "lights/a.fits"),
        ("./lights//*.fits", "lights/a.fits"),
        ("lights/", "lights/Ha/a.fits"),
        ("lights/**", "lights/a.fits"),
        ("lights/**", "lights/Ha/a.fits"),
        ("lights/**/a.fits", "lights/a.fits"),
        ("lights/**/Ha/**/a*", "lights/x/Ha/Ha/y/abc"),
        ("**", "a"),
        ("**/*", "b/c/a"),
        ("**/**/a", "a"),
        ("frame_???.fits", "frame_001.fits"),
        ("frame_[0-9a][!b].fits", "frame_ax.fits"),
        ("a[]]b", "a]b"),
        ("a[!]]b", "axb"),
        ("a[b", "a[b"),
        ("a[]b", "a[]b"),
        ("a[-]b", "a-b"),
        ("a[a&&~~||[^]b", "a^b"),
        ("(a+b)$^{1}", "(a+b)$^{1}"),
        ("e\u0301t\u00e9*", "\u00e9te\u0301.fits"),
        ("*", "two\nlines"),
        ("*", "bad\udcff.fits"),
    ],
)
def test_a_path_that_the_pattern_means_matches(pattern, path):
    assert Patterns([pattern]).match(path)


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        ("*.fits", "lights/a.fits"),
        ("*", "a/b"),
        ("**/*.fits", "a.fits.part"),
        ("**/*.fits", "a.fits/b"),
        ("lights/**", "lights"),
        ("lights/**", "lights2/a"),
        ("a?b", "a/b"),
        ("a[!x]b", "a/b"),
        ("a[+-9]b", "a/b/"),
        ("lights/**/a", "lights/xa"),
        ("**/Ha/*.fits", "xHa/a.fits"),
        ("a.fits", "axfits"),
        ("**/a.fits", "b.fits"),
        ("**/*x/*.fits", "a.fits"),
        ("*.fits", "a.fits\n"),
    ],
)
def test_a_path_that_the_pattern_does_not_mean_is_left_out(pattern, path):
    assert not Patterns([pattern]).match(path)


def test_one_of_several_patterns_is_enough_and_none_matches_nothing():
    assert Patterns(["*.fits", "*.log"]).match("a.log")
    assert not Patterns(["*.fits", "*.log"]).match("a.txt")
    assert not Patterns([]).match("a")


@pytest.mark.parametrize(
    "pattern", ["", "/", ".", "../a", "a/../b", "/a", "C:/a", "c:\\a", "\\\\box\\share", "[z-a]"]
)
def test_a_pattern_that_can_match_nothing_below_the_folder_is_refused(pattern):
    with pytest.raises(PatternError):
        Patterns([pattern])


@given(NAME_PATTERN, NAME)
@example("*a*a", "aBa")
@example("[!-[]", "a")
def test_a_name_matches_as_the_standard_library_says(pattern, name):
    try:
        patterns = Patterns([pattern])
    except PatternError:
        assert re.search(r"\[.*.-.", pattern)
        return
    assert patterns.match(name) == fnmatchcase(name.lower(), pattern.lower())


def matches_slowly(pattern, path):
    """Say by definition whether components match, trying every choice."""
    if not pattern:
        return not path
    if pattern[0] == "**":
        rest = pattern[1:]
        if not rest:
            return bool(path)
        return any(matches_slowly(rest, path[at:]) for at in range(len(path) + 1))
    return bool(path) and fnmatchcase(path[0], pattern[0]) and matches_slowly(pattern[1:], path[1:])


@given(
    st.lists(st.sampled_from(["**", "a", "b", "*", "a*b", "*a"]), min_size=1, max_size=6),
    st.lists(st.sampled_from(["a", "b", "ab", "ba", "aab"]), min_size=1, max_size=6),
)
def test_a_path_matches_as_its_definition_says(pattern, path):
    while ["**", "**"] in [pattern[at : at + 2] for at in range(len(pattern))]:
        pattern.remove("**")
    assert Patterns(["/".join(pattern)]).match("/".join(path)) == matches_slowly(pattern, path)


@given(st.text(max_size=30), st.text(max_size=30))
def test_no_pattern_breaks_anything(pattern, path):
    with contextlib.suppress(PatternError):
        Patterns([pattern]).match(path)


def test_a_pattern_with_many_stars_does_not_take_for_ever():
    # With free backtracking each of these would outlast the universe.
    assert not Patterns(["*a" * 30 + "b"]).match("a" * 250)
    assert not Patterns(["**/*a*a*/" * 15 + "b"]).match("/".join(["a" * 20] * 60))
    assert not Patterns(["**/a/" * 30 + "b"]).match("/".join("a" * 300))


def test_a_whole_folder_is_known_to_match():
    patterns = Patterns(["previews/", "**/cache/**", "*.tmp"])
    assert patterns.match_all_below("Previews")
    assert patterns.match_all_below("x/y/cache")
    assert not patterns.match_all_below("x")
    assert not patterns.match_all_below("x.tmp")
    assert Patterns(["**"]).match_all_below("anything")


SEEN = ["lights/a.fit", "lights/b.fit", "notes.txt", "readings/power.csv"]


@pytest.mark.parametrize(
    ("pattern", "near"),
    [
        ("**/*.fits", NearMiss("**/*.fits", "**/*.fit", 2, "lights/a.fit")),
        ("*.fit", NearMiss("*.fit", "**/*.fit", 2, "lights/a.fit")),
        ("*.fits", NearMiss("*.fits", "**/*.fit", 2, "lights/a.fit")),
        ("lihgts/*.fit", NearMiss("lihgts/*.fit", "**/*.fit", 2, "lights/a.fit")),
        ("lihgts/*.fits", NearMiss("lihgts/*.fits", "**/*.fit", 2, "lights/a.fit")),
        ("readings/*.cvs", NearMiss("readings/*.cvs", "readings/*.csv", 1, "readings/power.csv")),
        ("power.csv", NearMiss("power.csv", "**/power.csv", 1, "readings/power.csv")),
    ],
)
def test_a_pattern_that_matches_nothing_is_told_what_is_there(pattern, near):
    assert near_misses([pattern], SEEN) == (near,)


@pytest.mark.parametrize("pattern", ["**/*.fit", "**/*.log", "missing/*", "missing/**"])
def test_a_pattern_that_matches_or_resembles_nothing_has_no_near_miss(pattern):
    assert near_misses([pattern], SEEN) == ()
