import pytest

from manifests.frames.names.panels import Panel, split_panel


@pytest.mark.parametrize(
    ("name", "base", "panel"),
    [
        ("M31 Panel 2", "M31", "2"),
        ("M31 panel 02", "M31", "2"),
        ("M31Panel2", "M31", "2"),
        ("M31-Tile #3", "M31", "3"),
        ("M31 (panel 2 of 4)", "M31", "2"),
        ("M31 mosaic panel 2/6", "M31", "2"),
        ("Panel 2 of 4 - M31", "M31", "2"),
        ("M31 panel 1-3", "M31", "1-3"),
        ("M31 panel 1x3", "M31", "1-3"),
        ("M31 R1C3", "M31", "1-3"),
        ("M31 row 1 col 3", "M31", "1-3"),
        ("M31 panel ne", "M31", "NE"),
        ("M31 panel B", "M31", "B"),
    ],
)
def test_a_panel_is_taken_off_the_name(name: str, base: str, panel: str) -> None:
    assert split_panel(name) == Panel(base, panel)


def test_a_p_alone_says_panel_with_less_certainty() -> None:
    assert split_panel("M 31 P2") == Panel("M 31", "2", said=False)
    assert split_panel("M31-P02") == Panel("M31", "2", said=False)
    assert split_panel("HAT-P-32") == Panel("HAT", "32", said=False)  # a star with a planet


@pytest.mark.parametrize("name", ["Panel 1 of 4", "panel 1/4", "Mosaic Panel 01", "Tile #1"])
def test_a_panel_may_be_a_panel_of_nothing(name: str) -> None:
    assert split_panel(name) == Panel("", "1")


def test_only_numbers_say_panel_with_less_certainty() -> None:
    assert split_panel("NGC 7000 2/4") == Panel("NGC 7000", "2", said=False)
    assert split_panel("NGC 7000 1/1") == Panel("NGC 7000", "1", said=False)
    assert split_panel("NGC 7000 (10/12)") == Panel("NGC 7000", "10", said=False)
    assert split_panel("NGC 7000 2 of 4") == Panel("NGC 7000", "2", said=False)


@pytest.mark.parametrize(
    "name",
    [
        "M 31",
        "NGC 7000 5/4",
        "NGC 7000 0/4",
        "NGC 6992/5",
        "M31-2",
        "67P",
        "Panel",
        "M31 panel",
        "Subpanel",
        "P2",
        "- P2",
    ],
)
def test_a_name_without_a_panel_has_none(name: str) -> None:
    assert split_panel(name) is None
