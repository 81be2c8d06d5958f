import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from manifests.bags.stored_names import LONGEST_NAME, NameBook, portable_path, same_name_key

ANY_TEXT = st.text(st.characters(exclude_categories=()), max_size=40)
# Few letters, so that names collide in every way there is.
AWKWARD = st.text(st.sampled_from(list("aAßsſéÉ.~_-/ (2)%:\u0301\u030a\u212b\udcff")), min_size=1, max_size=8)


@pytest.mark.parametrize(
    "path",
    [
        "data/frames/NGC 7331/M 51 Ha 0001.fits",
        "data/frames/M 33's été/–15 °C/x.fit",
        "data/logs/-n.log",
        "data/logs/.hidden",
        "data/logs/$HOME #1 & co (2).txt",
        "data/logs/ leading.txt",
        "data/logs/CONTROL.log",
        "data/logs/COM10.log",
        "data/logs/a~b..c",
        "data/logs/.a~b",
        "data/x" + "y" * 234,
    ],
)
def test_a_name_that_every_system_takes_is_unchanged(path):
    assert portable_path(path) == path


@pytest.mark.parametrize(
    ("name", "stored"),
    [
        ('a"*:<>?\\|%.fits', "a_________.fits"),
        ("a\x00\x1f\x7f\x85\x9f.fits", "a_____.fits"),
        ("a\r\n\v\f\u2028\u2029b", "a______b"),
        ("bad\udcff.fits", "bad_.fits"),
        ("ends in a dot.", "ends in a dot_"),
        ("ends in spaces  ", "ends in spaces__"),
        ("ends in another space\u3000", "ends in another space_"),
        ("~user", "_user"),
        ("._a.fits", "__a.fits"),
        (".", "_"),
        ("..", "__"),
        ("CON", "_CON"),
        ("nul.fits", "_nul.fits"),
        ("aux .txt", "_aux .txt"),
        ("Lpt9.tar.gz", "_Lpt9.tar.gz"),
        ("COM²", "_COM²"),
        ("e\u0301te\u0301", "été"),
        ("C:", "C_"),
    ],
)
def test_what_a_system_cannot_take_is_replaced(name, stored):
    assert portable_path(name) == stored
    assert portable_path(f"data/{name}/{name}") == f"data/{stored}/{stored}"


def test_an_empty_part_of_a_path_is_no_way_out():
    assert portable_path("a//b/../c") == "a/_/b/__/c"
    assert portable_path("/etc/passwd") == "etc/passwd"
    assert portable_path("") == "_"


def test_a_long_name_is_cut_and_keeps_its_ending():
    stored = portable_path("x" * 400 + ".fits.gz")
    assert len(stored) == LONGEST_NAME
    assert stored.startswith("xxx")
    assert stored.endswith(".fits.gz")


def test_long_names_that_differ_only_behind_the_cut_stay_apart():
    assert portable_path("x" * 300 + "1.fits") != portable_path("x" * 300 + "2.fits")


def test_a_name_is_measured_in_bytes_and_in_decomposed_letters():
    # Three bytes of UTF-8 each; and two bytes that are three UTF-16 units on HFS+.
    for letter in ("星", "\u0390"):
        stored = portable_path(letter * 200 + ".fits")
        assert len(stored.encode()) <= LONGEST_NAME
        assert len(unicodedata.normalize("NFD", stored)) <= LONGEST_NAME
        assert stored.endswith(".fits")


@given(ANY_TEXT | AWKWARD | ANY_TEXT.map(lambda text: text * 12))
@example("<\u0338")
@example("~\u0303.")
def test_a_stored_path_needs_no_further_change(path):
    stored = portable_path(path)
    assert portable_path(stored) == stored
    assert stored == unicodedata.normalize("NFC", stored)
    assert len(stored.splitlines()) == 1
    assert all(len(name.encode()) <= LONGEST_NAME for name in stored.split("/"))
    assert not set('\\:*?"<>|%').intersection(stored)


@given(st.lists(AWKWARD, max_size=12), st.lists(AWKWARD, max_size=4))
def test_no_two_files_share_a_path_and_none_lies_where_a_folder_is(paths, again):
    book = NameBook()
    stored = [book.claim(path) for path in paths]
    later = NameBook(stored)
    stored += [later.claim(path) for path in again]
    stored += [later.alternative(path) for path in stored[:3]]
    keys = [same_name_key(path) for path in stored]
    folders = {key[:at] for key in keys for at, letter in enumerate(key) if letter == "/"}
    assert len(set(keys)) == len(keys)
    assert folders.isdisjoint(keys)


@given(st.lists(AWKWARD, max_size=12))
def test_a_folder_has_one_spelling(paths):
    stored = map(NameBook().claim, paths)
    folders = {path[:at] for path in stored for at, letter in enumerate(path) if letter == "/"}
    assert len(set(map(same_name_key, folders))) == len(folders)


def test_a_single_claim_is_the_portable_path():
    assert NameBook().claim("data/logs/CON:/a?.txt") == portable_path("data/logs/CON:/a?.txt")


def test_names_that_differ_only_in_case_or_normal_form_are_numbered():
    book = NameBook()
    names = ["Ring.FITS", "ring.fits", "RING.fits", "é.tar.gz", "e\u0301.tar.gz", "straße", "STRASSE"]
    stored = [
        "Ring.FITS",
        "ring (2).fits",
        "RING (3).fits",
        "é.tar.gz",
        "é (2).tar.gz",
        "straße",
        "STRASSE (2)",
    ]
    assert [book.claim(name) for name in names] == stored


def test_a_number_that_is_in_use_is_passed_over():
    book = NameBook(["a.log", "a (2).log"])
    assert book.claim("a.log") == "a (3).log"
    assert book.claim("A (2).log") == "A (2) (2).log"


def test_a_file_where_a_folder_is_and_a_folder_where_a_file_is_get_other_names():
    book = NameBook(["data/a/b.log"])
    assert book.claim("data/A") == "data/A (2)"
    assert book.claim("data/a/B.log/x") == "data/a/B (2).log/x"
    assert book.claim("data/a/B.log/y") == "data/a/B (2).log/y"


def test_a_renamed_folder_keeps_its_other_name_in_the_next_run():
    first = NameBook()
    stored = [first.claim("a"), first.claim("a/x")]
    assert stored == ["a", "a (2)/x"]
    assert NameBook(stored).claim("a/y") == "a (2)/y"


def test_a_folder_in_two_spellings_is_one_folder():
    book = NameBook()
    assert book.claim("Lights/1.fits") == "Lights/1.fits"
    assert book.claim("lights/2.fits") == "Lights/2.fits"


def test_other_content_under_a_stored_name_gets_a_name_beside_it():
    book = NameBook(["data/logs/a.log"])
    assert book.alternative("data/logs/a.log") == "data/logs/a (2).log"
    assert book.alternative("data/logs/a.log") == "data/logs/a (3).log"
    assert book.claim("data/logs/A (3).log") == "data/logs/A (3) (2).log"


def test_ten_thousand_names_that_become_one_are_numbered_without_searching():
    book = NameBook()
    for _ in range(10_000):
        last = book.claim("data/logs/a?.log")
    assert last == "data/logs/a_ (10000).log"


def test_a_tree_three_thousand_folders_deep_gets_its_names():
    path = "/".join("a" * 3_000)
    assert NameBook().claim(path) == path
