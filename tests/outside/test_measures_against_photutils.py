"""Measures beside those of photutils, on made star fields and on real images that packages carry.

photutils (Bradley et al., an astropy package) has code of its own for all of it: its background by sigma
clipping, its sources by segmentation, its sizes by fits of a Gaussian to each star. Real images: M 13 as
astropy's tests carry it, plain and compressed by each of FITS's algorithms, and a raw frame that ccdproc's
tests carry.
"""

from __future__ import annotations

import warnings
from importlib.resources import files
from typing import Any, NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray
from photutils.background import Background2D
from photutils.psf import fit_fwhm
from photutils.segmentation import SourceCatalog, deblend_sources, detect_sources
from scipy.ndimage import gaussian_filter

from manifests.findings import FindingKind
from manifests.frames.measures.judging import MeasuredFrame, findings_of
from manifests.frames.measures.measuring import measure, measure_image
from manifests.frames.measures.pixels import image_in
from tests.support.star_fields import StarField, counts

COMPRESSED = files("astropy.io.fits.hdu.compressed.tests") / "data"
M_13 = ("m13.fits", "m13_gzip.fits", "m13_hcomp.fits", "m13_plio.fits", "m13_rice.fits")


class Other(NamedTuple):
    """What the other library measures."""

    background: float
    noise: float
    stars: int
    size_px: float
    elongation: float
    elongation_deg: float


def other(image: NDArray[Any], brightest: int = 60) -> Other:
    """Measure an image with photutils: sources of 5 pixels above 3 times the noise, as ours."""
    data = image.astype(float)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a fit that does not converge is NaN, and left out
        background = Background2D(data, (50, 50), filter_size=3)
        data -= background.background
        found = detect_sources(data, 3 * background.background_rms_median, n_pixels=5)
        found = deblend_sources(data, found, n_pixels=5, progress_bar=False)
        catalogue = SourceCatalog(data, found)
        first = np.argsort(-catalogue.max_value)[:brightest]
        places = np.stack([catalogue.x_centroid[first], catalogue.y_centroid[first]], axis=1)
        sizes = fit_fwhm(data, xypos=places, fit_shape=9)
    return Other(
        float(background.background_median),
        float(background.background_rms_median),
        len(catalogue),
        float(np.nanmedian(sizes)),
        float(np.median(catalogue.elongation.value[first])),
        float(np.median(catalogue.orientation.value[first])) % 180,
    )


@pytest.mark.parametrize(
    "field",
    [
        StarField(),
        StarField(fwhm_px=2.2, gradient=0.2),
        StarField(beta=3.5),
        StarField(elongation=1.5, elongation_deg=35.0),
        StarField(stars=60, rays=30),
    ],
    ids=repr,
)
def test_both_libraries_measure_a_made_field_alike(field: StarField) -> None:
    image = counts(field.image())
    ours, theirs = measure_image(image), other(image, brightest=40)
    assert ours.background_adu == pytest.approx(theirs.background, rel=0.01)
    assert ours.noise_adu == pytest.approx(theirs.noise, rel=0.05)
    # Theirs counts the tracks of cosmic rays as well, of which most are longer than five pixels.
    assert ours.stars == pytest.approx(theirs.stars, rel=0.05 if not field.rays else 0.4)
    # A Gaussian that is fitted to a star with the wings of real ones is wider than the star.
    assert ours.size_px == pytest.approx(theirs.size_px, rel=0.05 if field.beta is None else 0.1)
    assert ours.size_px == pytest.approx(field.size_px, rel=0.03)
    if field.elongation > 1:
        assert ours.elongation == pytest.approx(theirs.elongation, rel=0.05)
        assert ours.elongation_deg == pytest.approx(theirs.elongation_deg, abs=3)


@pytest.mark.parametrize("name", M_13)
def test_m_13_is_measured_alike_however_it_is_compressed(name: str) -> None:
    ours = measure((COMPRESSED / name).read_bytes(), stars=True, mosaic=False)
    assert ours == measure((COMPRESSED / M_13[0]).read_bytes(), stars=True, mosaic=False)


def test_m_13_is_measured_as_the_other_library_measures_it() -> None:
    content = (COMPRESSED / M_13[0]).read_bytes()
    ours, theirs = measure(content, stars=True, mosaic=False), other(image_in(content))
    assert ours.background_adu == pytest.approx(theirs.background, rel=0.02)
    assert ours.noise_adu == pytest.approx(theirs.noise, rel=0.05)
    assert ours.size_px == pytest.approx(theirs.size_px, rel=0.06)
    # Crowded: the number depends on where one star ends, and on what is too sharp to be one.
    assert ours.stars is not None
    assert 0.6 * theirs.stars < ours.stars < theirs.stars


def test_a_raw_frame_has_the_sky_and_the_few_stars_that_the_other_library_finds() -> None:
    content = (files("ccdproc.tests") / "data" / "a8280271.fits").read_bytes()
    ours, theirs = measure(content, stars=True, mosaic=False), other(image_in(content))
    assert ours.background_adu == pytest.approx(theirs.background, rel=0.01)
    assert ours.noise_adu == pytest.approx(theirs.noise, rel=0.02)
    assert ours.stars == pytest.approx(theirs.stars, abs=2)


def test_frames_of_m_13_that_something_happened_to_are_found_and_no_others() -> None:
    """A night made of a real image: its stars blurred, smeared, dimmed under a brighter sky, taken away."""
    image = image_in((COMPRESSED / M_13[0]).read_bytes()).astype(float)
    one = measure_image(image)
    assert one.background_adu is not None
    assert one.noise_adu is not None
    random = np.random.default_rng(1)
    stars = image - one.background_adu
    smeared = np.mean([np.roll(stars, (step, step), (0, 1)) for step in range(-3, 4)], axis=0)
    nothing = np.zeros_like(stars)
    taken = [stars] * 8 + [smeared, 0.05 * stars + 60, nothing]
    taken += [gaussian_filter(stars, blur) for blur in (1.2, 1.3, 1.4)]
    night = [
        MeasuredFrame(
            60_000_000 * number,
            measure_image(each + one.background_adu + random.normal(0, one.noise_adu, stars.shape)),
        )
        for number, each in enumerate(taken)
    ]
    kinds = [[finding.kind for finding in found] for found in findings_of(night)]
    assert kinds[:8] == [[]] * 8
    assert FindingKind.STREAKED in kinds[8]  # it has fewer stars as well: their light is spread
    assert kinds[9:11] == [[FindingKind.CLOUD], [FindingKind.NO_STARS]]
    assert all(FindingKind.FOCUS_DRIFT in found for found in kinds[11:])


@pytest.mark.parametrize(("stars", "within"), [(200, 0.02), (20000, 0.15)])
def test_few_and_many_stars_are_counted(stars: int, within: float) -> None:
    field = StarField(height=2000, width=3000, stars=stars)
    image = counts(field.image())
    measures = measure_image(image)
    assert measures.stars == pytest.approx(stars, rel=within)
    assert measures.size_px == pytest.approx(field.size_px, rel=0.05)
    assert measures.background_adu == pytest.approx(field.sky_adu, rel=0.05)
