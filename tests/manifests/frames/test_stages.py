"""The stage of a frame, from words of its type, from counts of what was combined, and from other cards."""

from __future__ import annotations

import json

import pytest

from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.headers import frame_from_headers
from manifests.frames.stages import known_stage, stage_of

RAW, MASTER, STACK, CALIBRATED = Stage.RAW, Stage.MASTER, Stage.STACK, Stage.CALIBRATED


def header(*cards: str, planes: int = 1) -> bytes:
    axes = ["NAXIS   = 3", "NAXIS1  = 60", "NAXIS2  = 40", f"NAXIS3  = {planes}"]
    records = ["SIMPLE  = T", "BITPIX  = 16", *axes, *cards, "END"]
    return b"".join(record.encode().ljust(80) for record in records).ljust(2880)


def stage(*cards: str, planes: int = 1) -> Stage:
    return known_stage(frame_from_headers([header(*cards, planes=planes)]))


@pytest.mark.parametrize(
    ("word", "frame_type", "expected"),
    [
        ("Light", FrameType.LIGHT, RAW),
        ("Dark Frame", FrameType.DARK, RAW),
        ("Master Dark", FrameType.DARK, MASTER),
        ("master_flat", FrameType.FLAT, MASTER),
        ("Super Bias", FrameType.BIAS, MASTER),
        ("superbias", FrameType.BIAS, MASTER),
        ("Mean Dark", FrameType.DARK, MASTER),
        ("Integrated Flat", FrameType.FLAT, MASTER),
        ("Dark Stack", FrameType.DARK, MASTER),
        ("Master Dark Flat", FrameType.DARK_FLAT, MASTER),
        ("Master Light", FrameType.LIGHT, STACK),
        ("Light Integration", FrameType.LIGHT, STACK),
        ("Stacked light Ha", FrameType.LIGHT, STACK),
        ("Averaged Bias", FrameType.BIAS, MASTER),
        ("Coadded Light", FrameType.LIGHT, STACK),
        ("Calibrated Light", FrameType.LIGHT, CALIBRATED),
        ("Reduced Light", FrameType.LIGHT, CALIBRATED),
        ("Stack", None, STACK),
        ("Master", None, MASTER),
        ("Superb view", None, RAW),
    ],
)
def test_the_words_of_a_type_say_how_a_frame_was_made(word, frame_type, expected) -> None:
    frame = frame_from_headers([header(f"IMAGETYP= '{word}'")])
    assert (frame.frame_type, known_stage(frame)) == (frame_type, expected)
    assert (frame.stage is None) == (expected is RAW)


@pytest.mark.parametrize("keyword", ["NCOMBINE", "STACKCNT", "SNAPSHOT"])
def test_a_count_of_combined_exposures_above_one_makes_a_master_or_a_stack(keyword: str) -> None:
    assert stage("IMAGETYP= 'Dark'", f"{keyword:8}= 20") is MASTER
    assert stage("IMAGETYP= 'Light'", f"{keyword:8}= 2000") is STACK
    assert stage("IMAGETYP= 'Light'", f"{keyword:8}= 1") is RAW
    assert stage("IMAGETYP= 'Light'", f"{keyword:8}= 0") is RAW


@pytest.mark.parametrize(
    ("card", "expected"),
    [
        ("CALSTAT = 'BDF'", CALIBRATED),
        ("CALSTAT = ''", RAW),
        ("CALSTAT = 'None'", RAW),
        ("DARKCOR = T", CALIBRATED),
        ("DARKCOR = F", RAW),
        ("FLATCOR = 'Mar 14 21:00 flat is flat_R'", CALIBRATED),
    ],
)
def test_a_card_of_calibration_makes_a_single_light_calibrated(card: str, expected: Stage) -> None:
    assert stage("IMAGETYP= 'Light'", card) is expected


def test_a_card_that_says_nothing_hides_no_other() -> None:
    assert stage("IMAGETYP= 'Light'", "NCOMBINE= 1", "STACKCNT= 20") is STACK
    assert stage("IMAGETYP= 'Light'", "NCOMBINE= 2") is STACK
    assert stage("IMAGETYP= 'Light'", "NCOMBINE= 'many'", "DARKCOR = F", "FLATCOR = T") is CALIBRATED


def test_a_stack_that_is_calibrated_too_stays_a_stack_and_a_master_a_master() -> None:
    assert stage("IMAGETYP= 'Light'", "CALSTAT = 'BDF'", "STACKCNT= 20") is STACK
    assert stage("IMAGETYP= 'Flat'", "CALSTAT = 'BD'", "STACKCNT= 20") is MASTER


def test_three_planes_of_a_light_are_no_single_exposure() -> None:
    assert stage("IMAGETYP= 'Light'", planes=3) is STACK
    assert stage("IMAGETYP= 'Light'", planes=1) is RAW
    assert stage("IMAGETYP= 'Light'", planes=2) is RAW
    assert stage("IMAGETYP= 'Flat'", planes=3) is RAW


def test_only_the_header_of_the_image_says_how_many_planes_it_has() -> None:
    axes = ("NAXIS   = 2", "NAXIS1  = 8", "NAXIS2  = 1", "NAXIS3  = 3")
    table = ("XTENSION= 'BINTABLE'", "BITPIX  = 8", *axes, "END")
    extension = b"".join(record.encode().ljust(80) for record in table).ljust(2880)
    assert known_stage(frame_from_headers([header("IMAGETYP= 'Light'"), extension])) is RAW


def test_a_stage_is_kept_in_the_facts_and_read_back() -> None:
    frame = Frame(frame_type=FrameType.DARK, stage=MASTER)
    facts = json.loads(json.dumps(frame.as_facts()))
    assert facts["stage"] == "master"
    assert Frame.from_facts(facts) == frame
    with pytest.raises(ValueError, match="finished"):
        Frame.from_facts({"stage": "finished"})


def test_an_entry_from_before_stages_were_read_has_the_stage_that_its_type_says() -> None:
    old = Frame.from_facts({"frame_type": "dark", "image_type": "Master Dark", "exposure_s": 300.0})
    assert (old.stage, known_stage(old)) == (None, MASTER)
    assert known_stage(Frame.from_facts({"frame_type": "light"})) is RAW
    assert known_stage(Frame(frame_type=FrameType.LIGHT, image_type="Light", stage=STACK)) is STACK


def test_a_frame_of_no_known_type_that_was_combined_is_a_stack() -> None:
    assert stage_of(None, combined=True) is STACK
    assert stage_of(None) is RAW
