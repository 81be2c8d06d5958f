"""Star fields of which everything is known: size, elongation, background, and how many stars there are."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from manifests.frames.measures.shapes import FWHM_OF_SIGMA

_OVERSAMPLED = 5
_READ_NOISE_ADU = 5.0


@dataclass(frozen=True)
class StarField:
    """A field of stars on a sky, with Poisson and read noise. `beta` makes Moffat stars of Gaussian ones.

    `flux_adu` is the range of the stars' fluxes, evenly spread in magnitudes; `gradient` the sky's slope from
    left to right as a part of its level; `rays` the number of tracks that cosmic rays leave.
    """

    height: int = 512
    width: int = 768
    stars: int = 150
    fwhm_px: float = 3.0
    elongation: float = 1.0
    elongation_deg: float = 0.0
    sky_adu: float = 1000.0
    flux_adu: tuple[float, float] = (5e3, 2e5)
    beta: float | None = None
    gradient: float = 0.0
    rays: int = 0
    seed: int = 1

    @property
    def noise_adu(self) -> float:
        """The noise of one pixel of the sky."""
        return float(np.hypot(np.sqrt(self.sky_adu), _READ_NOISE_ADU))

    @property
    def size_px(self) -> float:
        """The stars' full width at half maximum in the pixels, of which each is as wide as one pixel."""
        return float(np.sqrt(self.fwhm_px**2 + FWHM_OF_SIGMA**2 / 12))

    def image(self) -> NDArray[np.float64]:
        """Return the field's pixels."""
        random = np.random.default_rng(self.seed)
        slope = np.linspace(-0.5, 0.5, self.width) * self.gradient * self.sky_adu
        image = np.full((self.height, self.width), self.sky_adu) + slope
        half = self._half_px
        least, most = (np.log(flux) for flux in self.flux_adu)
        for x, y, flux in zip(
            random.uniform(half, self.width - half - 1, self.stars),
            random.uniform(half, self.height - half - 1, self.stars),
            np.exp(random.uniform(least, most, self.stars)),
            strict=True,
        ):
            column, row = round(x), round(y)
            star = self._star(x - column, y - row)
            image[row - half : row + half + 1, column - half : column + half + 1] += flux * star
        noisy = random.poisson(image) + random.normal(0, _READ_NOISE_ADU, image.shape)
        return self._with_rays(noisy, random)

    @property
    def _half_px(self) -> int:
        return int(np.ceil((3 if self.beta is None else 6) * self.fwhm_px * np.sqrt(self.elongation))) + 1

    def _star(self, dx: float, dy: float) -> NDArray[np.float64]:
        """Return a star of flux 1, so far from the middle of its square, integrated over each pixel."""
        side = 2 * self._half_px + 1
        at = (np.arange(side * _OVERSAMPLED) + 0.5) / _OVERSAMPLED - side / 2
        x, y = np.meshgrid(at - dx, at - dy)
        turned = np.deg2rad(self.elongation_deg)
        along = (np.cos(turned) * x + np.sin(turned) * y) / np.sqrt(self.elongation)
        across = (np.cos(turned) * y - np.sin(turned) * x) * np.sqrt(self.elongation)
        squared = (along**2 + across**2) / self.fwhm_px**2
        if self.beta is None:
            light = np.exp(-4 * np.log(2) * squared)
        else:
            light = (1 + 4 * (2 ** (1 / self.beta) - 1) * squared) ** -self.beta
        pixels = light.reshape(side, _OVERSAMPLED, side, _OVERSAMPLED).sum(axis=(1, 3))
        return np.asarray(pixels / pixels.sum())

    def _with_rays(self, image: Any, random: np.random.Generator) -> NDArray[np.float64]:
        for _ in range(self.rays):
            x, y = random.uniform(15, self.width - 15), random.uniform(15, self.height - 15)
            length, angle = random.uniform(1, 12), random.uniform(0, np.pi)
            along = np.arange(0, length, 0.25)
            track = {(int(y + d * np.sin(angle)), int(x + d * np.cos(angle))) for d in along}
            for row, column in track:
                image[row, column] += random.uniform(500, 5000)
        return np.asarray(image)


def counts(image: NDArray[np.float64], most: int = 65535) -> NDArray[np.uint16]:
    """Return an image as a camera counts it, cut off at the most that it can count."""
    return np.clip(np.rint(image), 0, most).astype(np.uint16)


def fits_of(image: NDArray[Any], *, compressed: bool = False, **cards: Any) -> bytes:
    """Return an image as a FITS file's bytes."""
    header = fits.Header()
    header.update(cards)
    hdu = fits.CompImageHDU(image, header) if compressed else fits.PrimaryHDU(image, header)
    written = io.BytesIO()
    hdus = fits.HDUList([fits.PrimaryHDU(), hdu]) if compressed else fits.HDUList([hdu])
    hdus.writeto(written)
    return written.getvalue()
