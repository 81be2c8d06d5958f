from __future__ import annotations

import subprocess
import sys

from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.cards import read_cards


def test_every_type_of_value_is_read(header):
    cards = read_cards(
        header(
            ("TEXT", "M 31"),
            ("QUOTED", "Barnard's star"),
            ("WHOLE", -12),
            ("DECIMAL", 1.25),
            ("EXPONENT", b"1.5D3"),
            ("LOWER", b"2e-3"),
            ("YES", True),
            ("NO", False),
            ("COMPLEX", b"(1.0, 2.0)"),
        ),
        {"TEXT", "QUOTED", "WHOLE", "DECIMAL", "EXPONENT", "LOWER", "YES", "NO", "COMPLEX"},
    )
    found = {keyword: card.value for keyword, card in cards.items()}
    assert found == {
        "TEXT": "M 31",
        "QUOTED": "Barnard's star",
        "WHOLE": -12,
        "DECIMAL": 1.25,
        "EXPONENT": 1500.0,
        "LOWER": 0.002,
        "YES": True,
        "NO": False,
        "COMPLEX": 1 + 2j,
    }
    assert found["YES"] is True
    assert type(found["WHOLE"]) is int


def test_the_comment_is_what_follows_the_value(header):
    cards = read_cards(
        header(("A", 1, "[s] a/b"), ("B", "1/2", "half"), ("C", "it's", "c"), ("D", 4)), {"A", "B", "C", "D"}
    )
    assert [card.comment for card in cards.values()] == ["[s] a/b", "half", "c", ""]


def test_undefined_and_blank_values_are_left_out_and_a_later_card_may_say_more(header):
    cards = read_cards(
        header(("A", b""), ("B", "   "), ("C", b"/ only a comment"), ("A", 5)), {"A", "B", "C"}
    )
    assert {keyword: card.value for keyword, card in cards.items()} == {"A": 5}


def test_the_first_card_of_a_keyword_counts(header):
    assert read_cards(header(("OBJECT", "M 31"), ("OBJECT", "M 33")), {"OBJECT"})["OBJECT"].value == "M 31"


def test_only_what_is_wanted_is_read_and_nothing_behind_end(header):
    behind = header(("A", 1)) + header(("B", 2))
    assert list(read_cards(behind, {"A", "B"})) == ["A"]
    assert read_cards(behind, set()) == {}


def test_hierarch_keywords_are_wanted_by_their_own_name(header):
    text = header(b"HIERARCH Camera Sensor Temp = -10.5 / [degC]", b"HIERARCH no value here")
    cards = read_cards(text, {"CAMERA SENSOR TEMP", "NO VALUE HERE"})
    assert {keyword: card.value for keyword, card in cards.items()} == {"CAMERA SENSOR TEMP": -10.5}


def test_a_continued_string_is_read_whole(header):
    text = header(
        b"OBJECT  = 'a very long name, &'", b"CONTINUE  'and more of it&'", b"CONTINUE  ' still' / comment"
    )
    assert read_cards(text, {"OBJECT"})["OBJECT"].value == "a very long name, and more of it still"


def test_a_string_without_an_end_of_its_continuation_is_bounded(header):
    endless = [b"CONTINUE  'and more of it, and more of it, and more of it, and more of it, &'"] * 5000
    value = read_cards(header(b"OBJECT  = 'once &'", *endless), {"OBJECT"}).get("OBJECT")
    assert value is None or len(str(value.value)) < 6000


def test_text_that_looks_like_a_record_valued_card_stays_text(header):
    for text in (header(("FILTER", "H: 6.5")), b"FILTER  = 'H: 6.5'"):
        assert read_cards(text, {"FILTER"})["FILTER"].value == "H: 6.5"


def test_names_outside_ascii_are_read_in_either_encoding_in_use(header):
    written = (("A", "Müller’s Süd".replace("’", "").encode()), ("B", "Süd".encode("latin-1")))
    cards = read_cards(header(*((key, b"'" + name + b"' / who") for key, name in written)), {"A", "B"})
    assert [card.value for card in cards.values()] == ["Müllers Süd", "Süd"]


def test_a_broken_card_is_left_out_and_the_others_are_read(header):
    text = header(
        b"A       = 'no closing quote", b"B       = 12 34", b"C       =7", b"D = 1", b"\xff\x00= 3", ("E", 5)
    )
    assert list(read_cards(text, {"A", "B", "C", "D", "E"})) == ["E"]


def test_plain_cards_are_read_without_loading_astropy():
    program = (
        "import sys\n"
        "from manifests.frames.cards import read_cards\n"
        "header = b\"OBJECT  = 'M 31    '\".ljust(80) + b'EXPTIME = 1.5'.ljust(80)\n"
        "cards = read_cards(header, {'OBJECT', 'EXPTIME'})\n"
        "assert len(cards) == 2\n"
        "assert 'astropy' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True)


@given(st.lists(st.binary(min_size=80, max_size=80), max_size=12))
def test_no_content_raises(records):
    wanted = {bytes(record[:8]).decode("latin-1").rstrip().upper() for record in records} | {"OBJECT"}
    read_cards(b"".join(records), wanted)


@given(
    st.lists(st.binary(max_size=70), max_size=12), st.sampled_from([b"'", b"-", b"(", b" ", b"T", b"1", b""])
)
def test_no_value_raises(fields, first):
    records = [b"OBJECT  = " + (first + field)[:70].ljust(70) for field in fields]
    read_cards(b"".join(records), {"OBJECT"})
    read_cards(b"".join(b"HIERARCH OBJECT = " + record[10:72] for record in records), {"OBJECT"})


def test_a_keyword_that_only_begins_like_the_convention_is_not_read_by_it(header):
    """The library would warn of it: what a stranger wrote into a header would be printed on the screen."""
    text = header(b"HIERARCH$FILTER = 'unclosed", b"HIERARCHFILTER = 'x'", b"HIERARCH  FILTER = 'L'")
    assert read_cards(text, {"FILTER"})["FILTER"].value == "L"
