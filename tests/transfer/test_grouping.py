"""One odd folder is one line for a person, and no finding is counted less."""

from hypothesis import given
from hypothesis import strategies as st

from manifests.findings import Finding, FindingKind
from transfer.grouping import grouped

NOT_PROVEN, RENAMED = FindingKind.NOT_PROVEN, FindingKind.NAME_CHANGED


def test_a_few_findings_are_told_one_by_one():
    found = [Finding(NOT_PROVEN, "the drive left", f"frames/{n}.fits") for n in range(5)]
    assert grouped(found)[4] == ("frames/4.fits: not proven (the drive left)", 1)


def test_what_is_the_same_of_many_files_is_told_once_with_the_first_of_them():
    found = [Finding(NOT_PROVEN, "the drive left", f"frames/{n}/light.fits") for n in range(300)]
    first = "frames/0/light.fits, frames/1/light.fits, frames/2/light.fits"
    line = f"{first} and 297 more: not proven (the drive left)"
    assert grouped(found) == [(line, 300)]


def test_an_odd_folder_is_told_once_though_each_files_detail_is_its_own():
    found = [Finding(RENAMED, f"stored as data/a_b/{n}.fits", f"frames/a:b/{n}.fits") for n in range(300)]
    line = (
        "frames/a:b/0.fits and 299 more in frames/a:b: stored under another name "
        "(such as: stored as data/a_b/0.fits)"
    )
    assert grouped(found) == [(line, 300)]


def test_lines_come_in_the_order_of_their_first_finding():
    alone = Finding(FindingKind.VANISHED, "", "logs/a.log")
    many = [Finding(NOT_PROVEN, "", f"frames/{n}") for n in range(9)]
    assert [each.stands_for for each in grouped([many[0], alone, *many[1:]])] == [9, 1]
    assert [each.stands_for for each in grouped([alone, *many])] == [1, 9]


def test_a_name_cannot_act_on_the_terminal():
    assert grouped([Finding(NOT_PROVEN, "", "a\x1b[31m")])[0].line == r"a\x1b[31m: not proven"


@given(
    st.lists(
        st.builds(
            Finding, st.sampled_from(FindingKind), st.sampled_from(["", "x", "y"]), st.text("ab/", max_size=4)
        )
    )
)
def test_every_finding_is_in_one_line(found):
    assert sum(each.stands_for for each in grouped(found)) == len(found)
