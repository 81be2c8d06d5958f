"""Measures of star fields of which everything is known, in every form that cameras write them."""

from __future__ import annotations

import gzip
from dataclasses import astuple
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.measures.frame_measures import FrameMeasures, arcsec_per_px, has_stars, is_measured
from manifests.frames.measures.measuring import measure, measure_image
from tests.support.star_fields import StarField, counts, fits_of

FIELD = StarField()
IMAGE = FIELD.image()


def measured(content: bytes, **how: Any) -> FrameMeasures:
    return measure(content, **({"stars": True, "mosaic": False} | how))


def angle_between(first_deg: float, second_deg: float) -> float:
    return abs((first_deg - second_deg + 90) % 180 - 90)


def fits_the_field(measures: FrameMeasures, field: StarField = FIELD, scale: float = 1.0) -> None:
    assert measures.why_not == ""
    assert measures.background_adu == pytest.approx(field.sky_adu * scale, rel=0.05)
    assert measures.noise_adu == pytest.approx(field.noise_adu * scale, rel=0.05)
    assert measures.stars == pytest.approx(field.stars, rel=0.05)
    assert measures.size_px == pytest.approx(field.size_px, rel=0.05)
    assert measures.elongation == pytest.approx(field.elongation, rel=0.05)
    if field.elongation > 1.05:
        assert measures.elongation_deg is not None
        assert angle_between(measures.elongation_deg, field.elongation_deg) < 3


@pytest.mark.parametrize(
    "field",
    [
        StarField(fwhm_px=1.5),
        StarField(fwhm_px=2.0),
        StarField(fwhm_px=5.0),
        StarField(fwhm_px=9.0, flux_adu=(2e4, 4e5), stars=60),
        StarField(beta=2.5, flux_adu=(1e4, 2e5)),
        StarField(beta=4.0),
        StarField(elongation=1.15, elongation_deg=20),
        StarField(elongation=1.4, elongation_deg=110),
        StarField(elongation=2.2, elongation_deg=165, stars=80),
        StarField(gradient=0.2),
        StarField(rays=100),
        StarField(stars=12, flux_adu=(2e4, 2e5)),
        StarField(sky_adu=60.0),
        StarField(sky_adu=20000.0, flux_adu=(3e4, 3e5)),
    ],
    ids=repr,
)
def test_what_is_known_of_a_field_is_measured(field: StarField) -> None:
    fits_the_field(measure_image(counts(field.image())), field)


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("kind", [np.uint16, np.int32, np.float32, np.float64])
def test_every_kind_of_number_is_measured_alike(kind: Any, compressed: bool) -> None:
    fits_the_field(measured(fits_of(counts(IMAGE).astype(kind), compressed=compressed)))


def test_bytes_are_measured() -> None:
    field = StarField(sky_adu=60.0, flux_adu=(500, 1200))
    fits_the_field(measured(fits_of(np.clip(np.rint(field.image()), 0, 255).astype(np.uint8))), field)


def test_values_between_0_and_1_are_measured_in_their_own_unit() -> None:
    fits_the_field(measured(fits_of((counts(IMAGE) / 65535).astype(np.float32))), scale=1 / 65535)


def test_a_large_level_takes_nothing_from_the_last_digits() -> None:
    level = 2**30
    measures = measured(fits_of(counts(IMAGE).astype(np.int32) + level))
    assert measures.background_adu == pytest.approx(FIELD.sky_adu + level, abs=50)
    assert measures.noise_adu == pytest.approx(FIELD.noise_adu, rel=0.05)


def test_a_gzipped_frame_is_measured() -> None:
    fits_the_field(measured(gzip.compress(fits_of(counts(IMAGE)), 1)))


def test_of_three_colours_the_green_one_is_measured() -> None:
    empty = np.full_like(counts(IMAGE), 7)
    fits_the_field(measured(fits_of(np.stack([empty, counts(IMAGE), empty]))))


@pytest.mark.parametrize("fwhm_px", [2.0, 3.0, 5.0])
@pytest.mark.parametrize("green_first", [False, True])
def test_the_pattern_of_a_mosaic_is_neither_noise_nor_stars(fwhm_px: float, green_first: bool) -> None:
    field = StarField(fwhm_px=fwhm_px, flux_adu=(2e4, 4e5), stars=100)
    mosaic = field.image()
    rows, columns = np.indices(mosaic.shape)
    others = (rows + columns) % 2 != (0 if green_first else 1)
    mosaic[others & (rows % 2 == 0)] *= 0.4
    mosaic[others & (rows % 2 == 1)] *= 0.6
    measures = measured(fits_of(counts(mosaic)), mosaic=True)
    # Fainter stars have too few green pixels of their own to count.
    assert measures.stars == pytest.approx(field.stars, rel=0.15)
    assert measures.size_px == pytest.approx(field.size_px, rel=0.05 if fwhm_px > 2 else 0.08)
    assert measures.background_adu == pytest.approx(field.sky_adu, rel=0.05)
    assert measures.noise_adu == pytest.approx(field.noise_adu, rel=0.05)
    wrong = measured(fits_of(counts(mosaic)))
    assert wrong.noise_adu is not None
    assert wrong.noise_adu > 3 * field.noise_adu


def test_elongation_is_seen_through_a_mosaic() -> None:
    field = StarField(elongation=1.4, elongation_deg=110)
    measures = measured(fits_of(counts(field.image())), mosaic=True)
    assert measures.elongation == pytest.approx(1.4, rel=0.05)
    assert measures.elongation_deg == pytest.approx(110, abs=3)


def test_stars_that_point_away_from_the_middle_have_no_elongation_in_common() -> None:
    field = StarField(stars=0)
    image = field.image()
    middle = np.array([field.height / 2, field.width / 2])
    for number, angle in enumerate(np.linspace(0, 2 * np.pi, 48, endpoint=False)):
        y, x = (middle + (130 + 40 * (number % 3)) * np.array([np.sin(angle), np.cos(angle)])).astype(int)
        star = StarField(elongation=1.6, elongation_deg=np.degrees(angle) % 180)._star(0, 0)
        half = len(star) // 2
        image[y - half : y + half + 1, x - half : x + half + 1] += 5e4 * star
    measures = measure_image(counts(image))
    assert measures.stars == 48
    assert measures.elongation == pytest.approx(1.0, abs=0.1)
    assert measures.size_px == pytest.approx(field.size_px, rel=0.05)


def test_pixels_without_a_value_are_left_out() -> None:
    image = counts(IMAGE).astype(np.float32)
    image[100:160] = np.nan
    image[:, 5] = np.inf
    measures = measured(fits_of(image))
    assert measures.stars == pytest.approx(FIELD.stars * (1 - 60 / 512), rel=0.08)
    assert measures.size_px == pytest.approx(FIELD.size_px, rel=0.05)
    assert measures.background_adu == pytest.approx(FIELD.sky_adu, rel=0.05)


def test_stars_with_a_bad_pixel_nearby_keep_their_shape() -> None:
    image = counts(IMAGE).astype(np.float32)
    image[::9, ::9] = np.nan
    measures = measured(fits_of(image))
    assert measures.size_px == pytest.approx(FIELD.size_px, rel=0.05)
    assert measures.elongation == pytest.approx(1.0, abs=0.03)


def test_what_is_cut_off_is_counted_and_shapes_no_size() -> None:
    clipped = counts(StarField(flux_adu=(2e4, 2e6)).image(), most=8000)
    measures = measure_image(clipped)
    assert measures.saturated_px == np.count_nonzero(clipped == 8000) > 100
    assert measures.size_px == pytest.approx(FIELD.size_px, rel=0.05)
    assert measure_image(counts(IMAGE)).saturated_px == 0


def test_hot_pixels_and_rays_are_no_stars() -> None:
    image = StarField(stars=0, rays=60).image()
    random = np.random.default_rng(2)
    image[random.integers(0, 512, 500), random.integers(0, 768, 500)] += 20000
    measures = measure_image(counts(image))
    assert measures.stars is not None
    assert measures.stars <= 3
    assert (measures.size_px, measures.elongation) == (None, None)


def test_of_a_calibration_frame_the_level_and_its_noise_are_measured() -> None:
    measures = measured(fits_of(counts(StarField(stars=0, sky_adu=500.0).image())), stars=False)
    assert measures.background_adu == pytest.approx(500, rel=0.01)
    assert measures.noise_adu == pytest.approx(np.sqrt(525), rel=0.05)
    assert (measures.stars, measures.size_px, measures.why_not) == (None, None, "")


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "cannot be read"),
        (b"no image at all" * 500, "cannot be read"),
        (fits_of(counts(IMAGE))[:200_000], "cannot be read"),
        (gzip.compress(fits_of(counts(IMAGE)))[:2000], "cannot be read"),
        (fits_of(np.zeros(5000, np.uint16)), "1 axes"),
        (fits_of(np.zeros((4, 64, 64), np.uint16)), "3 axes"),
        (fits_of(np.zeros((8, 8), np.uint8)), "only 8 × 8"),
        (fits_of(np.full((64, 64), np.nan, np.float32)), "no values"),
        (fits_of(np.where(np.indices((64, 64))[0] > 20, np.nan, 1.0)), "% of its pixels have no value"),
        (fits_of(np.zeros((0, 0), np.uint8)), "no image"),
        (fits_of(np.full((64, 64), 100, np.uint16)), "one value"),
    ],
    ids=[
        "empty",
        "noise",
        "cut",
        "gzip cut",
        "line",
        "cube",
        "small",
        "blank",
        "mostly blank",
        "no data",
        "flat",
    ],
)
def test_a_frame_that_cannot_be_measured_says_why(content: bytes, why: str) -> None:
    measures = measured(content)
    assert why in measures.why_not
    assert measures == FrameMeasures(why_not=measures.why_not)


def test_a_header_that_says_more_pixels_than_there_can_be_fills_no_memory() -> None:
    content = fits_of(np.zeros((64, 64), np.uint16))
    huge = content.replace(b"NAXIS1  =                   64", b"NAXIS1  =            900000000")
    assert huge != content
    assert measured(huge).why_not == "its header says 57,600,000,000 pixels"


def test_the_scale_follows_from_pixel_and_focal_length() -> None:
    # The handbooks' rule: 206.265 × the pixel in µm over the focal length in mm.
    assert arcsec_per_px(Frame(pixel_um=3.76, focal_length_mm=480)) == pytest.approx(1.6157, abs=1e-4)
    for unknown in ({}, {"pixel_um": 3.76}, {"pixel_um": 3.76, "focal_length_mm": 0.0}):
        assert arcsec_per_px(Frame(**unknown)) is None
    assert arcsec_per_px(Frame(pixel_um=-3.76, focal_length_mm=480)) is None
    assert arcsec_per_px(Frame(pixel_um=1e300, focal_length_mm=1e-300)) is None


def test_raw_frames_are_measured_and_stars_only_in_lights() -> None:
    light, flat = Frame(frame_type=FrameType.LIGHT), Frame(frame_type=FrameType.FLAT)
    stack = Frame(frame_type=FrameType.LIGHT, stage=Stage.STACK)
    assert [is_measured(each) for each in (light, Frame(), flat, stack)] == [True, True, True, False]
    assert [has_stars(each) for each in (light, Frame(), flat, stack)] == [True, True, False, False]


SMALL = StarField(height=64, width=72, stars=6, flux_adu=(1e4, 1e5))
PLAIN, PACKED = (fits_of(counts(SMALL.image()), compressed=packed) for packed in (False, True))


@settings(max_examples=60, deadline=None)
@given(
    content=st.sampled_from([PLAIN, PACKED, gzip.compress(PLAIN, mtime=0)]),
    changes=st.lists(st.tuples(st.integers(0, 9000), st.binary(min_size=1, max_size=12)), max_size=6),
    kept=st.integers(0, 12_000),
    mosaic=st.booleans(),
)
def test_a_damaged_frame_is_measured_or_says_why(
    content: bytes, changes: list[tuple[int, bytes]], kept: int, mosaic: bool
) -> None:
    damaged = bytearray(content)
    for place, patch in changes:
        damaged[place : place + len(patch)] = patch
    measures = measured(bytes(damaged[: kept or None]), mosaic=mosaic)
    values = [value for value in astuple(measures)[:-1] if value is not None]
    assert np.isfinite(values).all()
    assert bool(values) != bool(measures.why_not)
