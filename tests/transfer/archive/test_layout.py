from datetime import date
from pathlib import PurePosixPath, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.bags.companions import is_companion_folder
from manifests.bags.containment import danger, suspicion
from manifests.frames.frame import Frame, FrameType, Stage
from transfer.archive.layout import Owner, folder_name, place_of
from transfer.archive.naming import Names

NIGHT = date(2026, 3, 14)
anything = st.text(st.characters(), max_size=60)


def light(target: str, filter_name: str = "Ha") -> str:
    names = Names(target, filter_name, "Lantern 26")
    place = place_of(Frame(FrameType.LIGHT), names, NIGHT, "frames/a/b.fits")
    return f"{place.owner.folder}/{place.path}"


@pytest.mark.parametrize(
    ("kind", "filter_name", "path"),
    [
        (FrameType.DARK, None, "data/Lantern 26/dark/2026-03-14/b.fits"),
        (FrameType.BIAS, None, "data/Lantern 26/bias/2026-03-14/b.fits"),
        (FrameType.DARK_FLAT, None, "data/Lantern 26/dark flat/2026-03-14/b.fits"),
        (FrameType.FLAT, "Ha", "data/Lantern 26/flat/2026-03-14/Ha/b.fits"),
    ],
)
def test_calibration_lies_by_camera_and_type(kind: FrameType, filter_name: str | None, path: str):
    place = place_of(Frame(kind), Names(None, filter_name, "Lantern 26"), NIGHT, "frames/a/b.fits")
    assert (place.owner.folder, place.path) == ("calibration", path)


@pytest.mark.parametrize(
    ("frame", "filter_name", "path"),
    [
        (Frame(FrameType.DARK, stage=Stage.MASTER), None, "data/Lantern 26/master dark/2026-03-14/b.fits"),
        (
            Frame(FrameType.DARK, image_type="Master Dark"),
            None,
            "data/Lantern 26/master dark/2026-03-14/b.fits",
        ),
        (Frame(FrameType.FLAT, stage=Stage.MASTER), "Ha", "data/Lantern 26/master flat/2026-03-14/Ha/b.fits"),
        (
            Frame(FrameType.FLAT, stage=Stage.CALIBRATED),
            "Ha",
            "data/Lantern 26/calibrated flat/2026-03-14/Ha/b.fits",
        ),
        (Frame(FrameType.BIAS, stage=Stage.RAW), None, "data/Lantern 26/bias/2026-03-14/b.fits"),
    ],
)
def test_masters_lie_apart_from_raw_calibration_frames(frame: Frame, filter_name: str | None, path: str):
    place = place_of(frame, Names(None, filter_name, "Lantern 26"), NIGHT, "frames/a/b.fits")
    assert (place.owner.folder, place.path) == ("calibration", path)


@pytest.mark.parametrize("stage", [Stage.STACK, Stage.CALIBRATED])
def test_results_lie_apart_from_the_lights_of_their_target(stage: Stage):
    names = Names("M 51", "Ha", "Lantern 26")
    place = place_of(Frame(FrameType.LIGHT, stage=stage), names, NIGHT, "frames/a/b.fits")
    assert (place.owner.folder, place.path) == ("M 51", "data/results/2026-03-14/Ha/b.fits")


def test_a_log_and_a_frame_of_no_type_lie_with_their_night_as_they_lay():
    names = Names(None, None, "Lantern 26")
    for frame, given_names in ((None, None), (Frame(), names)):
        place = place_of(frame, given_names, NIGHT, "power/2026-03-14/box.csv")
        assert place == (
            Owner("nights/2026-03-14", "night 2026-03-14"),
            "data/power/2026-03-14/box.csv",
        )


@pytest.mark.parametrize("name", ["sky_0001.DNG", "sky.tif", "preview.jpg", "moon.PNG"])
def test_an_image_that_is_no_fits_lies_with_its_night_below_images(name: str):
    place = place_of(None, None, NIGHT, f"frames/a/{name}")
    assert place == (Owner("nights/2026-03-14", "night 2026-03-14"), f"data/images/frames/a/{name}")


def test_fits_without_a_header_that_can_be_read_is_no_other_image():
    assert place_of(None, None, NIGHT, "frames/a.fits").path == "data/frames/a.fits"


@pytest.mark.parametrize(
    ("target", "folder"),
    [
        ("../x", "_._x"),
        ("..", "__"),
        ("/etc/passwd", "_etc_passwd"),
        ("C:\\frames", "C__frames"),
        ("CON", "_CON"),
        ("~root", "_root"),
        ("M31/M32", "M31_M32"),
        (".hidden", "_hidden"),
        ("lost+found", "_lost+found"),
        ("$RECYCLE.BIN", "_$RECYCLE.BIN"),
        ("calibration", "calibration (target)"),
        ("Nights", "Nights (target)"),
        ("index.sqlite", "index.sqlite (target)"),
        ("nightferry-archive.toml", "nightferry-archive.toml (target)"),
        ("data", "data (target)"),
        ("bagit.txt", "bagit.txt (target)"),
        ("Manifest-sha256.txt", "Manifest-sha256.txt (target)"),
        ("indexed", "indexed"),
    ],
)
def test_a_name_that_would_lead_elsewhere_or_be_somebody_elses_becomes_a_folder_of_its_own(
    target: str, folder: str
):
    assert light(target) == f"{folder}/data/2026-03-14/Ha/b.fits"


@pytest.mark.parametrize(("written", "folder"), [("CON", "_CON"), ("nul.x", "_nul.x"), ("a/b", "a_b")])
def test_a_filter_that_is_a_devices_name_becomes_a_folder(written: str, folder: str):
    assert light("M 51", written) == f"M 51/data/2026-03-14/{folder}/b.fits"


@given(anything, anything, anything)
def test_no_name_leads_out_of_the_archive_on_any_system(target: str, filter_name: str, name: str):
    names = Names(target, filter_name, target)
    for kind in (FrameType.LIGHT, FrameType.FLAT, None):
        place = place_of(Frame(kind), names, NIGHT, f"frames/{name}")
        path = f"{place.owner.folder}/{place.path}"
        assert not danger(path)
        assert not suspicion(path, windows=True)
        assert ".." not in PurePosixPath(path).parts
        assert not PureWindowsPath(path).drive
        assert all(map(str.strip, path.split("/")))


@given(anything)
def test_a_folders_name_is_one_folder_that_is_found_again(name: str):
    folder = folder_name(name)
    assert "/" not in folder
    assert "\\" not in folder
    assert not folder.startswith(".")
    assert not is_companion_folder(folder)
    assert folder_name(folder) == folder
