from __future__ import annotations

import pytest

from manifests.frames.frame import FrameType
from manifests.frames.frame_types import frame_type_of

LIGHT, DARK, FLAT, BIAS, DARK_FLAT = (
    FrameType.LIGHT,
    FrameType.DARK,
    FrameType.FLAT,
    FrameType.BIAS,
    FrameType.DARK_FLAT,
)


@pytest.mark.parametrize(
    ("word", "kind"),
    [
        ("Light Frame", LIGHT),
        ("LIGHT", LIGHT),
        ("lights", LIGHT),
        ("object", LIGHT),
        ("Science", LIGHT),
        ("Dark", DARK),
        ("Dark Frame", DARK),
        ("DARKS", DARK),
        ("Master Dark", DARK),
        ("master_dark", DARK),
        ("Flat Field", FLAT),
        ("FLAT", FLAT),
        ("flat-field", FLAT),
        ("FlatFrame", FLAT),
        ("Sky Flat", FLAT),
        ("FLAT,SKY", FLAT),
        ("twilight flat", FLAT),
        ("Dawn Flat", FLAT),
        ("DUSK_FLATS", FLAT),
        ("FLAT,LAMP", FLAT),
        ("FLAT,TWILIGHT", FLAT),
        ("Bias/Zero", BIAS),
        ("super bias", BIAS),
        ("Superbias", BIAS),
        ("Integrated Dark", DARK),
        ("Light Ha", LIGHT),
        ("LIGHT-OIII", LIGHT),
        ("Light Frame - Ha 3nm", LIGHT),
        ("Flat R", FLAT),
        ("Dark Flat Ha", DARK_FLAT),
        ("Sky Flat, Lum", FLAT),
        ("Bias Frame", BIAS),
        ("zero", BIAS),
        ("Offset", BIAS),
        ("DarkFlat", DARK_FLAT),
        ("flat dark", DARK_FLAT),
        ("Dark Flat Frame", DARK_FLAT),
        ("DARK-FLAT", DARK_FLAT),
    ],
)
def test_every_common_spelling_of_a_type_is_known(word, kind):
    assert frame_type_of(word) is kind


@pytest.mark.parametrize(
    "word",
    [
        "",
        "   ",
        "EXT",
        "FK5",
        "focus",
        "frame",
        "darkness",
        "lightning",
        "test",
        "光",
        "12",
        "light show",
        "Ha",
        "Ha light?",
        "focus Ha",
        "master",
    ],
)
def test_a_word_that_means_no_type_is_not_guessed_at(word):
    assert frame_type_of(word) is None
