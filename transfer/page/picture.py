"""One frame as a small picture with its header: read, averaged down, stretched, written as JPEG."""

from __future__ import annotations

import base64
import io
import json
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from manifests.bags.containment import real_file
from manifests.frames.measures.pixels import MOST_PIXELS

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Image = NDArray[np.float32]

LONGEST_SIDE_PX = 512
_JPEG_QUALITY = 80
_MOST_CARDS = 600
_LONGEST_CARD = 400
_COLOURS = ("RGGB", "BGGR", "GRBG", "GBRG")


class NoPicture(Exception):
    """No picture can be made of a file; the text says why, for a person."""


@dataclass(frozen=True, slots=True)
class Picture:
    """What is kept of a frame: a JPEG, or None and `why_not`; and its header's cards."""

    jpeg: bytes | None
    cards: tuple[str, ...]
    why_not: str = ""

    def as_told(self) -> dict[str, Any]:
        """Return it as JSON has it."""
        jpeg = None if self.jpeg is None else base64.b64encode(self.jpeg).decode("ascii")
        return {"jpeg": jpeg, "cards": self.cards, "why_not": self.why_not}

    @classmethod
    def of_told(cls, told: dict[str, Any]) -> Self:
        """Return what `as_told` has told."""
        jpeg = None if told["jpeg"] is None else base64.b64decode(told["jpeg"])
        return cls(jpeg, tuple(told["cards"]), told["why_not"])

    def as_script(self, digest: str) -> bytes:
        """Return the header as the page's script loads it: pages opened from a disk may load nothing else."""
        told = json.dumps({"cards": self.cards, "why": self.why_not})
        return f"nightferry.header({json.dumps(digest)}, {told});\n".encode("ascii")


def picture_of(bag: Path, path: str) -> Picture:
    """Return the picture of a frame at a path in its bag.

    A file that is no image, or a damaged one, gives a Picture that says why it has none. Raises OSError where
    it cannot be read at all, and MemoryError or ImportError where this computer is at fault.
    """
    from astropy.io import fits

    file = real_file(bag, path)
    cards: tuple[str, ...] = ()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # odd headers are told as findings when a frame is filed
        try:
            with fits.open(file, do_not_scale_image_data=True, ignore_missing_simple=True) as hdus:
                hdu = _image_hdu(hdus)
                cards = tuple(_cards(hdu.header))
                return Picture(_jpeg(_stretched(_reduced(hdu))), cards)
        except NoPicture as why:
            return Picture(None, cards, str(why))
        except OSError as error:
            if error.errno is not None:
                raise
            return Picture(None, cards, "it cannot be read as FITS")
        except (MemoryError, ImportError):  # of this computer today, not of the frame
            raise
        except Exception as error:  # noqa: BLE001 - astropy, its decoders and numpy have many kinds
            return Picture(None, cards, f"its pixels cannot be read ({type(error).__name__})")


def _image_hdu(hdus: Any) -> Any:
    """Return the first HDU that holds an image. Raises NoPicture."""
    for hdu in hdus:
        if hdu.is_image and hdu.header.get("NAXIS", 0) >= 2 and hdu.shape and all(hdu.shape):
            pixels = 1
            for length in hdu.shape:
                pixels *= length
            if pixels > MOST_PIXELS:
                raise NoPicture(f"its header says {pixels:,} pixels")
            return hdu
    raise NoPicture("there is no image in it")


def _cards(header: Any) -> Iterator[str]:
    for card in header.cards[:_MOST_CARDS]:
        try:
            text = str(card).rstrip()
        except Exception as error:  # noqa: BLE001 - a card that is none in any way that astropy knows
            text = f"(a card that cannot be read: {type(error).__name__})"
        if text:
            yield text[:_LONGEST_CARD]


def _reduced(hdu: Any) -> Image:
    """Return an image averaged down to LONGEST_SIDE_PX at most; of colours there are three, or none."""
    import numpy as np

    data, header = hdu.data, hdu.header
    if data is None:
        raise NoPicture("there is no image in it")
    planes = data.reshape((-1, *data.shape[-2:]))
    if len(planes) == 3:  # three colours: what a stack in colour is
        return np.stack([_averaged(plane, header) for plane in planes], axis=-1)
    mosaic = str(header.get("BAYERPAT", "")).strip().upper()
    if mosaic in _COLOURS and min(planes[0].shape) >= 4:
        return _of_mosaic(planes[0], header, mosaic)
    return _averaged(planes[0], header)


def _of_mosaic(plane: Any, header: Any, mosaic: str) -> Image:
    """Return red, green and blue of a colour mosaic, each averaged from its own pixels.

    XBAYROFF and YBAYROFF move the pattern; both are common practice, no standard.
    """
    import numpy as np

    moved = _whole(header.get("YBAYROFF")) % 2, _whole(header.get("XBAYROFF")) % 2
    sums: dict[str, list[Image]] = {"R": [], "G": [], "B": []}
    height, width = (length // 2 * 2 for length in plane.shape)
    for place, colour in enumerate(mosaic):
        row, column = (place // 2 + moved[0]) % 2, (place % 2 + moved[1]) % 2
        sums[colour].append(_averaged(plane[row:height:2, column:width:2], header))
    return np.stack([sum(same) / len(same) for same in sums.values()], axis=-1)


def _whole(value: Any) -> int:
    return int(value) if isinstance(value, int | float) and abs(value) < 1000 else 0


def _averaged(plane: Any, header: Any) -> Image:
    """Average blocks of pixels, a strip of rows at a time, so that no second whole image is in memory."""
    import numpy as np

    factor = max(ceil(max(plane.shape) / LONGEST_SIDE_PX), 1)
    height, width = max(plane.shape[0] // factor, 1), max(plane.shape[1] // factor, 1)
    rows, columns = min(factor, plane.shape[0]), min(factor, plane.shape[1])
    blank = header.get("BLANK") if plane.dtype.kind in "iu" else None
    averaged = np.empty((height, width), np.float32)
    down, across = np.ones(rows, np.float32), np.ones(columns, np.float32)
    for number in range(height):
        strip = plane[number * factor : number * factor + rows, : width * columns].astype(np.float32)
        if blank is not None:
            strip[strip == blank] = np.nan
        averaged[number] = (down @ strip).reshape(width, columns) @ across
    # BSCALE and BZERO are linear, so the mean of what is stored says as much (FITS Standard 4.0, 4.4.2.5).
    scale, zero = (float(header.get(key, usual)) for key, usual in (("BSCALE", 1.0), ("BZERO", 0.0)))
    return averaged * np.float32(scale / (rows * columns)) + np.float32(zero)


def limits_of(image: Image) -> tuple[float, float]:
    """Return the values to show as black and as white, by astropy's ZScale.

    Raises NoPicture where no pixel has a value.
    """
    import numpy as np
    from astropy.visualization import ZScaleInterval

    finite = image[np.isfinite(image)]
    if not finite.size:
        raise NoPicture("no pixel of it has a value")
    black, white = (float(limit) for limit in ZScaleInterval().get_limits(finite))
    return black, white


def _stretched(image: Image) -> NDArray[np.uint8]:
    """Return an image in 256 levels, its first row below, as FITS images are shown.

    Each colour has limits of its own, so that the sky is grey.
    """
    import numpy as np

    shown = np.empty(image.shape, np.uint8)
    for colour in range(image.shape[2]) if image.ndim == 3 else (None,):
        one = image if colour is None else image[..., colour]
        black, white = limits_of(one)
        span = white - black if white > black else 1.0
        levels = np.nan_to_num((one - black) * (255.0 / span), nan=0.0, posinf=255.0, neginf=0.0)
        shown[... if colour is None else (..., colour)] = np.clip(levels, 0, 255)
    return shown[::-1]


def _jpeg(shown: NDArray[np.uint8]) -> bytes:
    from PIL import Image as Pillow

    written = io.BytesIO()
    Pillow.fromarray(shown).save(written, "JPEG", quality=_JPEG_QUALITY)
    return written.getvalue()
