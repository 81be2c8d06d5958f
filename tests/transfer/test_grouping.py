"""Many findings of one kind are one line for a person, and no finding is counted less."""

from hypothesis import given
from hypothesis import strategies as st

from manifests.findings import Finding, FindingKind
from transfer.grouping import grouped
from transfer.remedies import REMEDIES

NOT_PROVEN, RENAMED = FindingKind.NOT_PROVEN, FindingKind.NAME_CHANGED


def test_a_few_findings_are_told_one_by_one():
    found = [Finding(NOT_PROVEN, "the drive left", f"frames/{n}.fits") for n in range(5)]
    assert grouped(found)[4] == ("frames/4.fits: not proven (the drive left)", 1)


def test_more_than_five_of_a_kind_are_one_line_with_their_number_an_example_and_what_to_do():
    found = [Finding(RENAMED, f"stored as data/{n}", f"frames/{n}/a:b.fits") for n in range(1300)]
    line = (
        "1,300 × stored under another name, such as frames/0/a:b.fits: stored as data/0. "
        "The original name is kept in the bag's entries."
    )
    assert grouped(found) == [(line, 1300)]


def test_each_is_told_where_each_is_wanted():
    found = [Finding(NOT_PROVEN, "", f"{n}.fits") for n in range(9)]
    assert [told.stands_for for told in grouped(found, each=True)] == [1] * 9


def test_lines_come_in_the_order_of_their_first_finding():
    alone = Finding(FindingKind.VANISHED, "", "logs/a.log")
    many = [Finding(NOT_PROVEN, "", f"frames/{n}") for n in range(9)]
    assert [each.stands_for for each in grouped([many[0], alone, *many[1:]])] == [9, 1]
    assert [each.stands_for for each in grouped([alone, *many])] == [1, 9]


def test_a_detail_that_ends_its_sentence_gets_no_second_full_stop():
    many = [Finding(FindingKind.NOT_BELIEVED, "is the clock right?", f"stick/{n}") for n in range(6)]
    (told,) = grouped(many)
    assert f"is the clock right? {REMEDIES[FindingKind.NOT_BELIEVED]}" in told.line


def test_a_name_cannot_act_on_the_terminal():
    assert grouped([Finding(NOT_PROVEN, "", "a\x1b[31m")])[0].line == r"a\x1b[31m: not proven"


def test_every_kind_of_finding_has_a_remedy_in_whole_sentences():
    assert REMEDIES.keys() == set(FindingKind)
    assert all(remedy[0].isupper() or remedy.startswith("nightferry") for remedy in REMEDIES.values())
    assert all(remedy.endswith(".") for remedy in REMEDIES.values())


@given(
    st.lists(
        st.builds(
            Finding, st.sampled_from(FindingKind), st.sampled_from(["", "x", "y"]), st.text("ab/", max_size=4)
        )
    )
)
def test_every_finding_is_in_one_line(found):
    assert sum(each.stands_for for each in grouped(found)) == len(found)
