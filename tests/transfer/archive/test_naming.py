import pytest

from manifests.findings import FindingKind
from manifests.frames.calibration.equipment import EquipmentNames
from manifests.frames.frame import Frame, FrameType
from manifests.frames.names.places import KnownTarget
from transfer.archive.naming import NO_CAMERA, InUse, Namer, NameTables, icrs_position


def light(name: str | None = None, **facts) -> Frame:
    return Frame(FrameType.LIGHT, object_name=name, **facts)


def namer(*targets: KnownTarget, names: tuple[str, ...] = (), **own) -> Namer:
    return Namer(NameTables(**own), InUse(names=names, targets=targets))


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
