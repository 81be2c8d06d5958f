"""A frame's picture: the same from every form of the same pixels, stretched as astropy's ZScale says."""

from __future__ import annotations

import gzip
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from astropy.nddata import block_reduce
from astropy.visualization import ZScaleInterval
from numpy.typing import NDArray
from PIL import Image

from transfer.page.picture import LONGEST_SIDE_PX, Picture, limits_of, picture_of

STAR = (20, 900)  # row and column: low in the image, to the right


def sky() -> NDArray[np.uint16]:
    """Return a frame of 700 by 1100 pixels: noise, a gradient and one star."""
    rng = np.random.Generator(np.random.PCG64(7))
    rows, columns = np.mgrid[0:700, 0:1100]
    level = 900 + columns / 20 + rng.normal(0, 12, rows.shape)
    level += 30000 * np.exp(-((rows - STAR[0]) ** 2 + (columns - STAR[1]) ** 2) / 60)
    return np.clip(level, 0, 65535).astype(np.uint16)


def kept(folder: Path, data: Any, name: str = "a.fits", **cards: Any) -> Picture:
    """Return the picture of an image written with these cards."""
    hdu = fits.PrimaryHDU(data)
    for key, value in cards.items():
        hdu.header[key] = value
    hdu.writeto(folder / name)
    return picture_of(folder, name)


def pixels(picture: Picture) -> NDArray[np.float64]:
    assert picture.jpeg is not None, picture.why_not
    return np.asarray(Image.open(io.BytesIO(picture.jpeg)), dtype=float)


def as_compressed(folder: Path) -> str:
    fits.CompImageHDU(sky()).writeto(folder / "b.fits.fz")
    return "b.fits.fz"


def as_gzip(folder: Path) -> str:
    plain = io.BytesIO()
    fits.PrimaryHDU(sky()).writeto(plain)
    (folder / "b.fits.gz").write_bytes(gzip.compress(plain.getvalue(), 1))
    return "b.fits.gz"


def in_an_extension(folder: Path) -> str:
    fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(sky())]).writeto(folder / "b.fits")
    return "b.fits"


def as_type(kind: Any) -> Any:
    def write(folder: Path) -> str:
        fits.PrimaryHDU(sky().astype(kind)).writeto(folder / "b.fits")
        return "b.fits"

    return write


@pytest.mark.parametrize(
    "write",
    [as_type(np.int32), as_type(np.float32), as_type(np.float64), as_compressed, as_gzip, in_an_extension],
)
def test_every_form_of_the_same_pixels_gives_the_same_picture(write: Any, tmp_path: Path) -> None:
    plain = pixels(kept(tmp_path, sky()))
    other = pixels(picture_of(tmp_path, write(tmp_path)))
    assert plain.shape == other.shape
    assert np.abs(plain - other).max() <= 16  # a tone on the edge, and what JPEG makes of it
    assert np.abs(plain - other).mean() < 0.2


def test_eight_bits_give_a_picture(tmp_path: Path) -> None:
    picture = pixels(kept(tmp_path, (sky() // 256 * 20 + 3).astype(np.uint8)))
    assert picture.max() > picture.min()


def test_the_limits_are_those_of_zscale_on_the_averaged_frame(tmp_path: Path) -> None:
    """Against astropy's own block_reduce and ZScaleInterval: a tone of the picture is where they put it."""
    factor = 3
    averaged = block_reduce(sky().astype(float), factor, np.mean)
    black, white = ZScaleInterval().get_limits(averaged)
    assert limits_of(averaged.astype(np.float32)) == pytest.approx((black, white), rel=1e-4)
    shown = pixels(kept(tmp_path, sky()))
    expected = np.clip((averaged - black) / (white - black), 0, 1)[::-1] * 255
    assert shown.shape == expected.shape
    assert np.abs(shown - expected).mean() < 6  # JPEG's own loss on noise
    assert abs((shown - expected).mean()) < 1


def test_a_picture_has_no_side_longer_than_it_may_have(tmp_path: Path) -> None:
    shown = pixels(kept(tmp_path, sky()))
    assert max(shown.shape) <= LONGEST_SIDE_PX
    assert max(shown.shape) > LONGEST_SIDE_PX / 2


def test_the_first_row_lies_below(tmp_path: Path) -> None:
    shown = pixels(kept(tmp_path, sky()))
    row, column = (places.mean() for places in np.nonzero(shown[:, 200:] > 250))
    column += 200
    assert row == pytest.approx(shown.shape[0] - 1 - STAR[0] / 3, abs=4)
    assert column == pytest.approx(STAR[1] / 3, abs=4)


@pytest.mark.parametrize(
    ("cards", "place"),
    [
        ({"BAYERPAT": "RGGB"}, (0, 0)),
        ({"BAYERPAT": "BGGR"}, (1, 1)),
        ({"BAYERPAT": "GRBG"}, (0, 1)),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1}, (0, 1)),
        ({"BAYERPAT": "RGGB", "YBAYROFF": 1}, (1, 0)),
    ],
)
def test_a_colour_mosaic_gives_colours(cards: dict[str, Any], place: tuple[int, int], tmp_path: Path) -> None:
    """Light that only the red pixels saw, in the left half of the frame."""
    rng = np.random.Generator(np.random.PCG64(3))
    mosaic = rng.normal(500, 10, (400, 600))
    mosaic[place[0] :: 2, place[1] : 300 : 2] += 400
    shown = pixels(kept(tmp_path, mosaic.astype(np.uint16), **cards))
    red, green, blue = (shown[:, 20:130, colour].mean() for colour in range(3))
    assert red > green + 50
    assert red > blue + 50


def test_a_stack_in_three_colours_is_shown_in_colour(tmp_path: Path) -> None:
    rng = np.random.Generator(np.random.PCG64(4))
    planes = rng.normal(0.1, 0.01, (3, 200, 300)).astype(np.float32)
    planes[0, :100] += 0.1
    shown = pixels(kept(tmp_path, planes))
    assert shown.ndim == 3
    assert shown[120:, :, 0].mean() > shown[120:, :, 2].mean() + 50


def test_pixels_without_a_value_are_black_and_move_no_limit(tmp_path: Path) -> None:
    whole, holed = sky().astype(np.float32), sky().astype(np.float32)
    holed[300:360, 300:360] = np.nan
    one, other = pixels(kept(tmp_path, whole)), pixels(kept(tmp_path, holed, "b.fits"))
    assert other[116:130][:, 103:117].mean() < 40
    assert np.abs(one[:, 200:] - other[:, 200:]).mean() < 6


def test_integers_that_mean_no_value_are_no_value(tmp_path: Path) -> None:
    data = sky().astype(np.int32)
    data[:, :500] = -99
    hdu = fits.PrimaryHDU(data)
    hdu.header["BLANK"] = -99
    hdu.writeto(tmp_path / "b.fits")
    shown = pixels(picture_of(tmp_path, "b.fits"))
    assert shown[:, :150].max() < 20
    assert shown[:, 180:].mean() > 60


def test_a_frame_of_one_value_is_grey_or_black_and_no_error(tmp_path: Path) -> None:
    assert kept(tmp_path, np.full((30, 40), 7, np.uint16)).jpeg is not None


@pytest.mark.parametrize("shape", [(1, 1), (1, 5000), (5000, 1), (3, 2), (2, 2, 700, 30)])
def test_odd_shapes_give_a_picture(shape: tuple[int, ...], tmp_path: Path) -> None:
    data = np.arange(np.prod(shape), dtype=np.int32).reshape(shape)
    assert kept(tmp_path, data, BAYERPAT="RGGB").jpeg is not None


def test_a_frame_cut_short_says_why_it_has_no_picture(tmp_path: Path) -> None:
    whole = io.BytesIO()
    fits.PrimaryHDU(sky()).writeto(whole)
    (tmp_path / "cut.fits").write_bytes(whole.getvalue()[:40_000])
    picture = picture_of(tmp_path, "cut.fits")
    assert picture.jpeg is None
    assert picture.why_not
    assert any(card.startswith("NAXIS1") for card in picture.cards)


@pytest.mark.parametrize("content", [b"", b"no FITS at all", b"SIMPLE  =                    T" + b" " * 50])
def test_what_is_no_frame_says_so(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "a.fits").write_bytes(content)
    picture = picture_of(tmp_path, "a.fits")
    assert picture.jpeg is None
    assert picture.why_not


def test_a_header_that_promises_more_than_any_camera_has_is_refused(tmp_path: Path) -> None:
    cards = ["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 900000", "NAXIS2  = 900000", "END"]
    (tmp_path / "a.fits").write_bytes("".join(f"{card:80}" for card in cards).encode().ljust(2880))
    picture = picture_of(tmp_path, "a.fits")
    assert picture.jpeg is None
    assert "810,000,000,000 pixels" in picture.why_not


def test_a_file_that_is_not_there_is_left_for_the_next_run(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        picture_of(tmp_path, "a.fits")


def test_the_header_is_kept_as_a_script_that_holds_text_alone(tmp_path: Path) -> None:
    """Its only call has the digest and one object; nothing of the header ends it, or leaves ASCII."""
    picture = Picture(None, ("OBJECT  = '</script>\u2028\");alert(1)//'",), "why")
    script = picture.as_script("ab" * 32).decode("ascii")
    begun, ended = f'nightferry.header("{"ab" * 32}", ', ");\n"
    assert script.startswith(begun)
    assert script.endswith(ended)
    assert json.loads(script[len(begun) : -len(ended)]) == {"cards": list(picture.cards), "why": "why"}
    assert "\n" not in script[:-1]
