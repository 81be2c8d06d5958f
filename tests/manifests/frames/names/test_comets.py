import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.names.comets import comet_name
from manifests.frames.names.spelling import tidy
from manifests.frames.names.targets import TargetNames


@pytest.mark.parametrize(
    ("name", "spellings"),
    [
        (
            "12P",
            [
                "12P",
                "12p",
                "12P/Pons-Brooks",
                "Comet 12P",
                "comet 12P/Pons-Brooks",
                "12P_Pons-Brooks",
                "12P Ha",
            ],
        ),
        ("67P", ["67P", "67P/Churyumov-Gerasimenko", "67P (Churyumov-Gerasimenko)"]),
        (
            "C/2023 A3",
            ["C/2023 A3", "C2023 A3", "C/2023A3", "c_2023_a3", "Comet C/2023 A3 (Tsuchinshan-ATLAS)"],
        ),
        ("P/2010 A2", ["P/2010 A2", "P/2010 A2 (LINEAR)"]),
        ("C/2014 UN271", ["C/2014 UN271", "C/2014 UN271 (Bernardinelli-Bernstein)"]),
        ("73P-AB", ["73P-AB", "73P/Schwassmann-Wachmann 3-AB"]),
        ("C/2019 Y4-B", ["C/2019 Y4-B", "C/2019 Y4 (ATLAS)-B"]),
        ("12P", ["12P/pons-brooks", "comet 12p (PONS-BROOKS)"]),
        ("73P-B", ["73P-B", "73P/Schwassmann-Wachmann 3-B", "Comet 73P-B"]),
        ("D/1993 F2-K", ["D/1993 F2-K", "D/1993 F2 (Shoemaker-Levy 9)-K"]),
        ("3D", ["3D/Biela", "comet 3D"]),
        ("2I", ["2I/Borisov", "2I"]),
        ("1I", ["1I/'Oumuamua"]),
    ],
)
def test_spellings_of_one_comet_are_one(name: str, spellings: list[str]) -> None:
    # The forms are those of the Minor Planet Center's page on the designation of comets.
    assert {TargetNames().name(spelling).canonical for spelling in spellings} == {name}


@pytest.mark.parametrize(
    "text",
    [
        "Comet P1",
        "Comet Lantern",
        "12P core",
        "3D",
        "2i",
        "2I Borisov",
        "12345P",
        "Comets 12P",
        "0P",
        "C/2023 I3",  # no half-month is I
        "C/2023 Z3",  # nor Z
        "C/2023",
        "C 2023",
        "C 14",
        "M 12P",
        "2023 A3",
        "NGC 12",
        "",
    ],
)
def test_what_is_no_comets_designation_is_none(text: str) -> None:
    assert comet_name(text) is None


def test_what_is_left_out_is_said() -> None:
    assert comet_name("12P") == ("12P", "")
    assert comet_name("12P/Pons-Brooks") == ("12P", "Pons-Brooks")
    assert comet_name("Comet C/2023 A3") == ("C/2023 A3", "Comet")


@given(
    st.from_regex(
        r"(comet )?([CPDXAI]/?[0-9]{3,4} ?[A-Z]{1,2}[0-9]{1,3}|[0-9]{1,3}[PDI])(-[A-Z])?( \(?[A-Za-z]+)?"
    )
)
def test_a_comets_name_names_itself(text: str) -> None:
    named = comet_name(tidy(text))
    if named is not None:
        assert comet_name(named[0]) in ((named[0], ""), None)
        assert TargetNames().name(named[0]).canonical == named[0]
