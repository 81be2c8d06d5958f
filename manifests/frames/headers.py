"""FITS header bytes to a Frame: each fact from the first header and keyword that says it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from manifests.frames import stages, values
from manifests.frames.cards import CardValue, read_cards
from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.frame_types import frame_type_of, stage_words_of
from manifests.frames.hdus import HeaderUnreadable, read_hdu
from manifests.frames.keywords import KEYWORDS, KeywordTable
from manifests.frames.moments import Beginning, beginning_of, written_utc_of
from manifests.frames.names.filters import says_nothing

T = TypeVar("T")

# A wheel's open position, under the names that instruments give it: CLEAR2L, open2-8, …
_OPEN_POSITION = re.compile(r"(clear|open|empty|none|blank|n/?a$)", re.IGNORECASE)
_BAYER_PATTERN = re.compile(r"[RGBCMYWE]{4}")
_TWO_NUMBERS = re.compile(r"([0-9]{1,3})(?:[ xX×,*]+([0-9]{1,3}))?")
_EQUINOX = re.compile(r"[JB]? ?([0-9]{4}(?:\.[0-9]*)?)")
# Defaults of FITS Standard 4.0, section 8.3; FK4-NO-E differs from FK4 by 0.3″ of aberration.
_EQUINOX_OF_SYSTEM = {"FK4": 1950.0, "FK4-NO-E": 1950.0, "FK5": 2000.0}
# How far two cards of one header's right ascension may differ: one may be the target's, one the mount's.
_SAME_POINTING_DEG = 2.0
# The site's height above the sea, not the telescope's angle above the horizon.
_HEIGHT = re.compile(r"\[m\]|\(m\)|met(re|er)s|feet|observatory|site|sea.?level", re.IGNORECASE)

_MECHANICAL = re.compile(r"mechanical|rotator", re.IGNORECASE)
_ON_THE_SKY = re.compile(r"\bsky\b|position angle", re.IGNORECASE)

_READERS: Mapping[str, Callable[[CardValue], Any]] = {
    "object_name": values.text,
    "exposure_s": values.seconds,
    "camera": values.text,
    "camera_serial": values.text,
    "telescope": values.text,
    "observer": values.text,
    "program": values.text,
    "gain": values.number,
    "offset": values.number,
    "readout_mode": values.text,
    "sensor_deg_c": values.deg_c,
    "setpoint_deg_c": values.deg_c,
    "focal_length_mm": values.millimetres,
    "pixel_um": values.microns,
    "airmass": values.airmass,
    "site_latitude_deg": values.latitude_deg,
    "site_longitude_deg": values.longitude_deg,
    "focuser_position": values.number,
    "focuser_deg_c": values.deg_c,
    "ambient_deg_c": values.deg_c,
}


@dataclass(frozen=True, slots=True)
class HeaderFacts:
    """A frame, and what its header says of the night beside `begun_utc`.

    With `date_only` the header gives a date without a time of day. `begun_local` is a clock whose zone is
    not named, `written_utc` when the header was written, `date_remark` what is doubtful about the date.
    """

    frame: Frame
    date_only: bool = False
    begun_local: datetime | None = None
    written_utc: datetime | None = None
    date_remark: str = ""


class FrameReader:
    """Reads a file's headers in order, the primary first, into the frame they describe."""

    def __init__(self, table: KeywordTable = KEYWORDS) -> None:
        self._table = table
        self._headers: list[dict[str, CardValue]] = []
        self._image_px: tuple[int, int] | None = None
        self._planes = 1

    def add(self, header: bytes, image_px: tuple[int, int] | None) -> None:
        """Add the next header, with the width and height of its image where it has one."""
        cards = read_cards(header, self._table.wanted)
        self._headers.append(cards)
        if self._image_px is None and image_px is not None:
            planes = (values.count(card) for card in self._said("planes", (cards,)))
            self._image_px, self._planes = image_px, next(planes, None) or 1

    @property
    def settled(self) -> bool:
        """Whether image, exposure and time are known, so that no further header need be read."""
        beginning = self._beginning()
        timed = beginning is not None and not beginning.date_only
        return timed and self._image_px is not None and self._first("exposure_s", values.seconds) is not None

    def facts(self) -> HeaderFacts:
        """Return what all headers taken so far say."""
        beginning = self._beginning()
        width_px, height_px = self._image_px or (None, None)
        image_type, frame_type = self._type()
        bin_x, bin_y = self._binning()
        ra_deg, dec_deg = self._position()
        frame = Frame(
            **{fact: self._first(fact, read) for fact, read in _READERS.items()},
            begun_utc=beginning.utc if beginning else None,
            width_px=width_px,
            height_px=height_px,
            image_type=image_type,
            frame_type=frame_type,
            stage=self._stage(image_type, frame_type),
            filter_name=self._filter_name(),
            bayer_pattern=self._first("bayer_pattern", _bayer_pattern),
            bin_x=bin_x,
            bin_y=bin_y,
            ra_deg=ra_deg,
            dec_deg=dec_deg,
            equinox=self._equinox(),
            rotation_deg=self._rotation("rotation_deg"),
            rotator_deg=self._rotation("rotator_deg"),
            altitude_deg=self._altitude_deg(),
        )
        written = (written_utc_of(cards, self._table) for cards in self._headers)
        return HeaderFacts(
            frame,
            date_only=beginning is not None and beginning.date_only,
            begun_local=beginning.local if beginning else None,
            written_utc=next((utc for utc in written if utc is not None), None),
            date_remark=beginning.remark if beginning else "",
        )

    def _said(self, fact: str, headers: Iterable[dict[str, CardValue]]) -> Iterator[CardValue]:
        """Return the cards that may say a fact, header by header and in order of preference."""
        keywords = self._table.keywords[fact]
        return (cards[keyword] for cards in headers for keyword in keywords if keyword in cards)

    def _first(self, fact: str, read: Callable[[CardValue], T | None]) -> T | None:
        readings = (read(card) for card in self._said(fact, self._headers))
        return next((reading for reading in readings if reading is not None), None)

    def _beginning(self) -> Beginning | None:
        """Return the first beginning with a time of day; else the first date."""
        exposure_s = self._first("exposure_s", values.seconds)
        dated = None
        for cards in self._headers:
            # An extension without a scale of its own keeps to the primary header's.
            scale = next(self._said("time_scale", (cards, self._headers[0])), CardValue("UTC"))
            beginning = beginning_of(cards, self._table, str(scale.value), exposure_s)
            if beginning is not None and not beginning.date_only:
                return beginning
            dated = dated or beginning
        return dated

    def _type(self) -> tuple[str | None, FrameType | None]:
        """Return the first word that means a type, with the type; else the first word there is."""
        words = [word for card in self._said("image_type", self._headers) if (word := values.text(card))]
        maybe = [word for card in self._said("type_or_system", self._headers) if (word := values.text(card))]
        known = ((word, kind) for word in (*words, *maybe) if (kind := frame_type_of(word)))
        return next(known, (words[0] if words else None, None))

    def _stage(self, image_type: str | None, frame_type: FrameType | None) -> Stage | None:
        stage = stages.stage_of(
            frame_type,
            stage_words_of(image_type or ""),
            combined=self._first("combined_count", stages.says_combined) is True,
            calibrated=self._first("calibration_state", stages.says_calibrated) is True,
            planes=self._planes,
        )
        return None if stage is Stage.RAW else stage

    def _filter_name(self) -> str | None:
        """Return the first name of a filter; a number, or a word that says nothing, only for want of one."""
        said = [text for card in self._said("filter_name", self._headers) if (text := values.text(card))]
        names = (text for text in said if not text.isdigit() and not says_nothing(text))
        return next(names, None) or self._wheel_filters() or next(iter(said), None)

    def _wheel_filters(self) -> str | None:
        """Return the filters in the path of an instrument with several wheels, without open positions.

        A number names a position, not a filter.
        """
        for cards in self._headers:
            wheels = [card for card in self._said("wheel_filters", (cards,)) if isinstance(card.value, str)]
            names = [name for card in wheels if (name := values.text(card))]
            glass = [name for name in names if not _OPEN_POSITION.match(name)]
            if names:
                return " + ".join(glass) or names[0]
        return None

    def _binning(self) -> tuple[int | None, int | None]:
        both = self._first("binning", _two_counts) or (None, None)
        return self._first("bin_x", values.count) or both[0], self._first("bin_y", values.count) or both[1]

    def _position(self) -> tuple[float | None, float | None]:
        """Return right ascension and declination: where the mount pointed, else a solution's reference."""
        for cards in self._headers:
            dec = map(values.latitude_deg, self._said("dec_deg", (cards,)))
            position = _right_ascension(self._said("ra_deg", (cards,))), next(filter(_is_known, dec), None)
            if None in position:
                position = _solved_position(list(self._said("solved_position", (cards,))))
            if None not in position:
                return position
        return None, None

    def _equinox(self) -> float | None:
        """Return the equinox of the coordinates; `None` for ICRS (FITS Standard 4.0, section 8.3).

        Without EQUINOX, FK4 is of B1950 and FK5 of J2000; ICRS has none, whatever EQUINOX says.
        """
        system = (self._first("coordinate_system", values.text) or "").upper()
        if system == "ICRS":
            return None
        return self._first("equinox", _equinox) or _EQUINOX_OF_SYSTEM.get(system)

    def _rotation(self, fact: str) -> float | None:
        """Return the first angle on the sky, or on the rotator's scale; a comment outdoes the keyword."""
        names = [fact, *(name for name in ("rotation_deg", "rotator_deg") if name != fact)]
        for name in names:
            for card in self._said(name, self._headers):
                angle_deg = values.rotation_deg(card)
                if angle_deg is not None and (_rotation_named(card) or name) == fact:
                    return angle_deg
        return None

    def _altitude_deg(self) -> float | None:
        stated = self._first("altitude_deg", values.latitude_deg)
        if stated is not None:
            return stated
        beside_azimuth = self._first("azimuth_deg", values.rotation_deg) is not None
        return self._first("altitude_or_height", lambda card: _angle_of_altitude(card, beside_azimuth))


def facts_from_headers(headers: Iterable[bytes], table: KeywordTable = KEYWORDS) -> HeaderFacts:
    """Return what a file's headers say, the primary header first; never raises for any content.

    A fact is taken from the first header that says it, and there from the first keyword of the table.
    """
    reader = FrameReader(table)
    for header in headers:
        reader.add(header, _image_px(header))
    return reader.facts()


def frame_from_headers(headers: Iterable[bytes], table: KeywordTable = KEYWORDS) -> Frame:
    """Return the frame that a file's headers describe, the primary header first."""
    return facts_from_headers(headers, table).frame


def _image_px(header: bytes) -> tuple[int, int] | None:
    try:
        return read_hdu(header).image_px
    except HeaderUnreadable:
        return None


def _is_known(value: float | None) -> bool:
    return value is not None


def _right_ascension(cards: Iterable[CardValue]) -> float | None:
    """Return the first right ascension, degrees.

    A plain number is in hours where a sexagesimal card beside it says so: programs write both.
    """
    known = [(card, ra_deg) for card in cards if (ra_deg := values.right_ascension_deg(card)) is not None]
    if not known:
        return None
    first, first_deg = known[0]
    written = [ra_deg for card, ra_deg in known if values.is_sexagesimal(card)]
    if values.is_sexagesimal(first) or not written or first_deg > 24:
        return first_deg
    return first_deg * 15 if _is_hours(first_deg, written[0]) else first_deg


def _is_hours(number: float, written_deg: float) -> bool:
    as_hours, as_degrees = (abs((ra_deg - written_deg + 180) % 360 - 180) for ra_deg in (number * 15, number))
    return as_hours < min(as_degrees, _SAME_POINTING_DEG)


def _solved_position(cards: list[CardValue]) -> tuple[float | None, float | None]:
    """Return CRVAL1 and CRVAL2 where CTYPE1 and CTYPE2 say that they are RA and Dec in degrees."""
    if len(cards) != 4 or not str(cards[0].value).startswith("RA--"):
        return None, None
    return values.right_ascension_deg(cards[2]), values.latitude_deg(cards[3])


def _angle_of_altitude(card: CardValue, beside_azimuth: bool) -> float | None:
    """Return an ALTITUDE that is an angle by its own comment, or by an azimuth beside it."""
    says_degrees = values.unit_of(card, {"deg": 1, "degrees": 1, "degree": 1}) != ""
    says_height = _HEIGHT.search(card.comment) is not None
    return values.latitude_deg(card) if says_degrees or (beside_azimuth and not says_height) else None


def _rotation_named(card: CardValue) -> str | None:
    """Return the fact that a comment says a rotation is, if it does."""
    if _MECHANICAL.search(card.comment):
        return "rotator_deg"
    return "rotation_deg" if _ON_THE_SKY.search(card.comment) else None


def _bayer_pattern(card: CardValue) -> str | None:
    letters = (values.text(card) or "").upper()
    return letters if _BAYER_PATTERN.fullmatch(letters) else None


def _two_counts(card: CardValue) -> tuple[int, int] | None:
    """Return the binning of '2 2', '2x2' or 2."""
    match = _TWO_NUMBERS.fullmatch(values.text(card) or "")
    pair = (int(match[1]), int(match[2] or match[1])) if match else (0, 0)
    return pair if min(pair) > 0 else None


def _equinox(card: CardValue) -> float | None:
    """Return a year: 2000, '2000.0' or 'J2000'."""
    match = _EQUINOX.fullmatch(values.text(card) or "")
    return float(match[1]) if match else None
