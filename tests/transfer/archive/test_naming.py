from datetime import date, timedelta

import pytest

from manifests.findings import FindingKind
from manifests.frames.calibration.equipment import EquipmentNames
from manifests.frames.frame import Frame, FrameType
from manifests.frames.names.catalogues import load_catalogue
from manifests.frames.names.places import KnownTarget
from transfer.archive.naming import NO_CAMERA, InUse, Namer, NameSources, icrs_position

MARCH_14 = date(2026, 3, 14)


def light(name: str | None = None, **facts) -> Frame:
    return Frame(FrameType.LIGHT, object_name=name, **facts)


def namer(*targets: KnownTarget, names: tuple[str, ...] = (), **own) -> Namer:
    return Namer(NameSources(**own), InUse(names=names, targets=targets))


def test_spellings_of_one_target_are_one_and_it_is_said_how():
    naming = namer()
    assert {naming.names(light(name)).target for name in ("M33", "m 33", "Messier 033")} == {"M 33"}
    assert naming.readings["Messier 033"].how == "a catalogue's designation"
    assert "M 33" not in naming.readings


def test_a_name_in_the_archive_keeps_its_spelling():
    assert namer(names=("Big Loop",)).names(light("big  loop")).target == "Big Loop"


def test_a_frame_without_a_name_is_placed_with_the_target_it_points_at_and_that_is_said():
    naming = namer(KnownTarget("M 33", 23.46, 30.66, 1.0))
    names = naming.names(light(ra_deg=23.6, dec_deg=30.7))
    assert names.target == "M 33"
    (finding,) = names.findings
    assert finding.kind is FindingKind.NO_TARGET
    assert "The header gives no name; M 33 is 0.13° away" in finding.detail


def test_a_frame_without_a_name_in_an_empty_place_is_named_by_its_position_and_so_is_the_next_one_there():
    naming = namer()
    first = naming.names(light(ra_deg=23.46, dec_deg=30.66))
    assert first.target == "J0133+3039"
    assert naming.names(light(ra_deg=23.5, dec_deg=30.7)).target == "J0133+3039"


def test_named_frames_of_the_same_night_tell_where_their_target_is_whatever_the_order():
    naming = namer()
    nameless, named = light(ra_deg=23.5, dec_deg=30.7), light("M33", ra_deg=23.46, dec_deg=30.66)
    naming.meet([nameless, named])
    assert naming.names(nameless).target == "M 33"


@pytest.mark.parametrize("word", ["Unknown", "Snapshot", "Light", "-", "Panel 1 of 4"])
def test_a_word_for_nothing_is_placed_by_its_position_and_never_merged(word: str):
    naming = namer(
        KnownTarget("M 33", 23.46, 30.66, 1.0), KnownTarget(word, 60.0, 20.0, 1.0), names=("M 33", word)
    )
    near = naming.names(light(word, ra_deg=23.6, dec_deg=30.7))
    assert near.target == "M 33"
    assert near.findings[0].kind is FindingKind.NO_TARGET
    assert "The header gives no name (" in near.findings[0].detail
    assert naming.names(light(word, ra_deg=60.0, dec_deg=20.0)).target == "J0400+2000"
    assert naming.names(light(word, ra_deg=90.0, dec_deg=20.0)).target == "J0600+2000"
    assert naming.names(light(word)).target == "unplaced"


def test_a_name_of_several_objects_is_decided_by_where_the_frame_points():
    naming = namer()
    assert naming.names(light("Lobster Nebula", ra_deg=261.2, dec_deg=-34.2)).target == "NGC 6357"
    assert naming.names(light("Lobster Nebula", ra_deg=275.2, dec_deg=-16.2)).target == "M 17"
    assert naming.names(light("Lobster Nebula")).target == "Lobster Nebula"


def test_a_name_that_does_not_fit_the_position_is_told_once_a_night():
    naming = namer(catalogue=load_catalogue())
    frames = [light("M 31", ra_deg=ra_deg, dec_deg=30.66) for ra_deg in (23.46, 23.47, 23.48)]
    naming.meet(frames)
    told = [naming.names(frame, MARCH_14).findings for frame in frames]
    assert [len(findings) for findings in told] == [1, 0, 0]
    assert told[0][0].kind is FindingKind.POINTED_ELSEWHERE
    assert "the header says M 31; the telescope pointed at M 33" in told[0][0].detail
    assert [one.kind for one in naming.names(frames[0], MARCH_14 + timedelta(1)).findings] == [
        FindingKind.POINTED_ELSEWHERE
    ]
    assert naming.names(light("M 31", ra_deg=10.7, dec_deg=41.3), MARCH_14).findings == ()
    assert naming.names(light("M 31"), MARCH_14).findings == ()


def test_a_frame_that_points_elsewhere_does_not_say_where_its_target_is():
    naming = namer(catalogue=load_catalogue())
    assert naming.names(light("M 31", ra_deg=23.46, dec_deg=30.66)).target == "M 31"
    assert naming.names(light(ra_deg=23.47, dec_deg=30.66)).target == "J0133+3039"
    assert naming.sharing_a_field() == []


def test_a_frame_with_neither_name_nor_position_is_unplaced():
    assert namer().names(light()).target == "unplaced"


def test_a_colour_camera_without_a_filter_is_said_so():
    assert namer().names(light("M33", bayer_pattern="RGGB")).filter == "colour camera"
    assert namer().names(light("M33")).filter == "filter not given"


def test_a_camera_has_the_user_s_name():
    own = EquipmentNames(cameras={"CCD 0": "Lantern"})
    assert namer(equipment=own).names(light("M33", camera="ccd0")).camera == "Lantern"
    assert namer(equipment=own).names(light("M33", camera="CCD 1")).camera == "CCD 1"


def test_calibration_has_no_target_and_only_flats_a_filter():
    naming = namer()
    dark = naming.names(Frame(FrameType.DARK, object_name="M 33", filter_name="Ha"))
    flat = naming.names(Frame(FrameType.FLAT, object_name="sky", filter_name="Lum"))
    assert (dark.target, dark.filter, dark.camera) == (None, None, NO_CAMERA)
    assert (flat.target, flat.filter) == (None, "L")


def test_one_camera_in_two_spellings_is_one_and_control_characters_are_no_part_of_a_name():
    naming = namer()
    assert naming.names(Frame(FrameType.DARK, camera="Lantern 26")).camera == "Lantern 26"
    assert naming.names(Frame(FrameType.DARK, camera="LANTERN\x0026 ")).camera == "Lantern 26"
    assert naming.names(light("Big\x1b[31mLoop")).target == "Big [31mLoop"


def test_targets_of_this_run_that_share_a_field_are_pointed_out_and_not_merged():
    naming = namer(
        KnownTarget("Whirlpool area", 202.47, 47.2, 1.0),
        KnownTarget("A", 10.0, 10.0),
        KnownTarget("B", 10.0, 10.0),
    )
    assert naming.names(light("M 51", ra_deg=202.46, dec_deg=47.19)).target == "M 51"
    (pair,) = naming.sharing_a_field()
    assert {pair.first.name, pair.second.name} == {"M 51", "Whirlpool area"}


@pytest.mark.parametrize("equinox", [0.0, 1e300, float("nan"), -2000.0])
def test_an_equinox_that_cannot_be_gives_no_position(equinox: float):
    assert icrs_position(Frame(ra_deg=10.0, dec_deg=10.0, equinox=equinox)) is None


def test_a_position_of_date_is_brought_to_icrs_before_it_is_compared():
    # M 33 at the equinox of 2050: a fifth of a degree further on (precession, Meeus, chapter 21).
    frame = light(ra_deg=24.16, dec_deg=30.92, equinox=2050.0)
    ra_deg, dec_deg = icrs_position(frame) or (0, 0)
    assert (ra_deg, dec_deg) == pytest.approx((23.46, 30.66), abs=0.02)
