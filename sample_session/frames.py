"""The frames as FITS files: headers, checksums, compressed ones and damaged ones."""

from __future__ import annotations

import gzip
import io
from collections.abc import Iterator
from datetime import datetime

import numpy as np
from astropy.io import fits
from conditions import (
    airmass,
    altitude_azimuth_deg,
    ambient_deg_c,
    focus_in_use,
    julian_day,
    pier_side,
    pointing,
    sensor_deg_c,
    tube_deg_c,
)
from pixels import ELECTRONS_PER_COUNT, pixels, seeded
from plan import (
    BROKEN_HEADER,
    CAMERA,
    CAMERA_ANGLE_DEG,
    CUT_SHORT,
    FOCAL_LENGTH_MM,
    GZIPPED,
    LATITUDE_DEG,
    LONGITUDE_DEG,
    M51,
    OBSERVER,
    PIXEL_UM,
    SETPOINT_DEG_C,
    SITE,
    TELESCOPE,
    TILE_COMPRESSED,
    Exposure,
    Target,
)

Card = tuple[str, str | int | float | bool, str]

TYPE_WORDS = {"flat": "FLAT", "dark": "DARK", "bias": "BIAS"}


def stamp(moment: datetime) -> str:
    """Return a moment as FITS writes it, to the millisecond."""
    return moment.replace(tzinfo=None).isoformat(timespec="milliseconds")


def sexagesimal(value: float, places: int, sign: str = "") -> str:
    """Return hours or degrees as three numbers with spaces between."""
    units = round(abs(value) * 3600 * 10**places)
    minutes, seconds = divmod(units, 60 * 10**places)
    width = 3 + places if places else 2
    return f"{sign}{minutes // 60:02d} {minutes % 60:02d} {seconds / 10**places:0{width}.{places}f}"


def exposure_cards(exposure: Exposure) -> Iterator[Card]:
    """Return what the camera knows of any exposure."""
    word = exposure.target.light_word if exposure.target else TYPE_WORDS[exposure.kind]
    yield "IMAGETYP", word, "what the frame is for"
    yield "DATE-OBS", stamp(exposure.begun), "start of the exposure"
    yield "DATE-AVG", stamp(exposure.middle), "middle of the exposure"
    yield "DATE-END", stamp(exposure.ended), "end of the exposure"
    yield "TIMESYS", "UTC", "time system of the dates"
    yield "MJD-OBS", round(julian_day(exposure.begun) - 2400000.5, 8), "[d] start of the exposure"
    yield "EXPTIME", exposure.exposure_s, "[s] exposure time"
    yield "INSTRUME", CAMERA, "camera"
    yield "XBINNING", 1, "binning in x"
    yield "YBINNING", 1, "binning in y"
    yield "XPIXSZ", PIXEL_UM, "[um] pixel width, binned"
    yield "YPIXSZ", PIXEL_UM, "[um] pixel height, binned"
    yield "PIXSIZE", PIXEL_UM, "[um] pixel size of the sensor"
    yield "GAIN", 100, "camera's gain setting"
    yield "OFFSET", 30, "camera's offset setting"
    yield "EGAIN", ELECTRONS_PER_COUNT, "[electron/adu]"
    yield "READOUTM", "Low noise", "readout mode"
    yield "CCD-TEMP", sensor_deg_c(exposure), "[deg C] sensor"
    yield "SET-TEMP", SETPOINT_DEG_C, "[deg C] asked of the cooler"


def rig_cards(exposure: Exposure) -> Iterator[Card]:
    """Return the place, the telescope and the focuser."""
    yield "OBSERVER", OBSERVER, "invented, like all in this frame"
    yield "SITENAME", SITE, ""
    yield "SITELAT", LATITUDE_DEG, "[deg] north positive"
    yield "SITELONG", LONGITUDE_DEG, "[deg] east positive"
    yield "TELESCOP", TELESCOPE, "telescope"
    yield "FOCALLEN", FOCAL_LENGTH_MM, "[mm]"
    yield "APTDIA", 99.0, "[mm]"
    yield "FOCUSPOS", focus_in_use(exposure.begun), "[step] focuser"
    yield "FOCTEMP", round(tube_deg_c(exposure.begun), 1), "[deg C] focuser's sensor on the tube"
    yield "AMBTEMP", round(ambient_deg_c(exposure.begun), 1), "[deg C] air"
    if exposure.filter_name:
        words = exposure.target.filter_words if exposure.target else {}
        yield "FILTER", words.get(exposure.filter_name, exposure.filter_name), "filter"
        yield "ROTATANG", CAMERA_ANGLE_DEG, "[deg] camera's angle on the telescope"


def sky_cards(exposure: Exposure, target: Target) -> Iterator[Card]:
    """Return where in the sky a light was taken."""
    ra_deg, dec_deg = pointing(target, exposure.offset_arcsec)
    altitude_deg, azimuth_deg = altitude_azimuth_deg(ra_deg, dec_deg, exposure.middle)
    yield "OBJECT", target.object_name, "target"
    yield "RA", round(ra_deg, 5), "[deg] telescope"
    yield "DEC", round(dec_deg, 5), "[deg] telescope"
    yield "RADESYS", "ICRS", ""
    yield "EQUINOX", 2000.0, ""
    yield "OBJCTRA", sexagesimal(ra_deg / 15, 1), "[h m s] telescope"
    yield "OBJCTDEC", sexagesimal(dec_deg, 0, "+"), "[d m s] telescope"
    yield "OBJCTALT", round(altitude_deg, 3), "[deg] at the middle of the exposure"
    yield "OBJCTAZ", round(azimuth_deg, 3), "[deg] from north through east"
    yield "AIRMASS", round(airmass(altitude_deg), 4), "at the middle of the exposure"
    yield "PIERSIDE", pier_side(exposure.begun), "side of the pier that the tube is on"


def header(exposure: Exposure) -> fits.Header:
    """Return an exposure's header, without what describes the array."""
    cards = [*exposure_cards(exposure), *rig_cards(exposure)]
    if exposure.target:
        cards += sky_cards(exposure, exposure.target)
    return fits.Header(cards)


def has_checksums(exposure: Exposure) -> bool:
    """Tell whether the sequence wrote DATASUM and CHECKSUM: that of the first target did, and the bias's."""
    return exposure.target is M51 or exposure.kind == "bias"


def plain(exposure: Exposure, index: int) -> bytes:
    """Return the frame as an ordinary FITS file."""
    hdu = fits.PrimaryHDU(pixels(exposure, index), header(exposure))
    if has_checksums(exposure):
        # A fixed time in the cards' comments: else each run would write another file.
        hdu.add_checksum(when=stamp(exposure.written))
    return to_bytes(fits.HDUList([hdu]))


def tile_compressed(exposure: Exposure, index: int) -> bytes:
    """Return the frame as a tile-compressed FITS file (Rice, lossless)."""
    hdu = fits.CompImageHDU(pixels(exposure, index), header(exposure), compression_type="RICE_1")
    return to_bytes(fits.HDUList([fits.PrimaryHDU(), hdu]))


def to_bytes(hdus: fits.HDUList) -> bytes:
    """Return the file's bytes."""
    file = io.BytesIO()
    hdus.writeto(file)
    return file.getvalue()


def cut_short(frame: bytes) -> bytes:
    """Return what reached the disk before the cable fault: the header and part of the data."""
    return frame[: len(frame) * 2 // 3 + 731]


def with_broken_header(frame: bytes) -> bytes:
    """Return the frame with rubbish over its header, from the second card on, its END included."""
    end = frame.index(b"END".ljust(80)) + 80
    rubbish = seeded(7).integers(128, 256, end - 80, dtype=np.uint8).tobytes()
    return frame[:80] + rubbish + frame[end:]


def frame_bytes(exposure: Exposure, index: int) -> bytes:
    """Return the file's bytes, packed or damaged as the night left it."""
    if exposure.path == TILE_COMPRESSED:
        return tile_compressed(exposure, index)
    frame = plain(exposure, index)
    if exposure.path == GZIPPED:
        return gzip.compress(frame, mtime=0)
    if exposure.path == CUT_SHORT:
        return cut_short(frame)
    return with_broken_header(frame) if exposure.path == BROKEN_HEADER else frame
