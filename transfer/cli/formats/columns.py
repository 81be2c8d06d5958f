"""The one table of the facts in a list of frames: name, unit, meaning, and where each comes from."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from enum import Enum
from operator import attrgetter
from typing import Any, NamedTuple

from manifests.frames.stages import known_stage
from manifests.index.frame_query import FrameRow


class Kind(Enum):
    """The type of a column's values."""

    TEXT = "text"
    WHOLE = "whole number"
    REAL = "number"
    TRUTH = "true or false"


class FrameColumn(NamedTuple):
    """A fact of a frame. `unit` is as the IVOA's VOUnits and astropy write it, `ucd` is IVOA's UCD1+.

    None stands for what is not known.
    """

    name: str
    kind: Kind
    value: Callable[[FrameRow], Any]
    unit: str = ""
    ucd: str = ""
    meaning: str = ""


def utc(moment: datetime | None) -> str | None:
    """Return a moment in ISO 8601, with the Z of UTC."""
    return None if moment is None else moment.isoformat().replace("+00:00", "Z")


def _columns() -> Iterator[FrameColumn]:
    yield from _what_it_is()
    yield from _how_it_was_taken()
    yield from _what_the_sky_was()
    yield from _what_was_measured()
    yield from _what_the_header_says()
    yield from _what_is_kept()


def _what_it_is() -> Iterator[FrameColumn]:
    text, real = Kind.TEXT, Kind.REAL
    yield FrameColumn("target", text, attrgetter("target"), "", "meta.id;src", "the target's one name")
    yield FrameColumn(
        "filter", text, attrgetter("filter"), "", "meta.id;instr.filter", "the filter's one name"
    )
    yield FrameColumn(
        "night", text, lambda row: row.night.isoformat(), "", "time.epoch", "date of its evening"
    )
    yield FrameColumn("type", text, attrgetter("frame.frame_type"), "", "meta.code.class", "what it is for")
    yield FrameColumn("stage", text, lambda row: known_stage(row.frame).value, "", "", "what was made of it")
    yield FrameColumn(
        "begun_utc", text, lambda row: utc(row.frame.begun_utc), "", "time.start;obs.exposure", "start, UTC"
    )
    yield FrameColumn(
        "exposure_s", real, attrgetter("frame.exposure_s"), "s", "time.duration;obs.exposure", "exposure"
    )


def _how_it_was_taken() -> Iterator[FrameColumn]:
    text, whole, real = Kind.TEXT, Kind.WHOLE, Kind.REAL

    def of(name: str, kind: Kind, unit: str = "", ucd: str = "", meaning: str = "") -> FrameColumn:
        return FrameColumn(name, kind, attrgetter(f"frame.{name}"), unit, ucd, meaning)

    yield of("camera", text, "", "meta.id;instr.det")
    yield of("camera_serial", text, "", "meta.id;instr.det", "serial number")
    yield of("telescope", text, "", "meta.id;instr.tel")
    yield of("observer", text, "", "meta.id.PI;obs.observer")
    yield of("program", text, "", "meta.id;meta.software", "what wrote the frame")
    yield of("width_px", whole, "pix", "meta.number;pos.cartesian.x")
    yield of("height_px", whole, "pix", "meta.number;pos.cartesian.y")
    yield of("bin_x", whole)
    yield of("bin_y", whole)
    yield of("gain", real, "", "arith.factor;instr.det", "as the camera counts it")
    yield of("offset", real, "", "", "as the camera counts it")
    yield of("readout_mode", text, "", "instr.setup")
    yield of("bayer_pattern", text)
    yield of("sensor_deg_c", real, "deg_C", "phys.temperature;instr.det", "degrees Celsius")
    yield of("setpoint_deg_c", real, "deg_C", "phys.temperature;instr.det", "degrees Celsius")
    yield of("rotation_deg", real, "deg", "pos.posAng", "of the camera on the sky")
    yield of("rotator_deg", real, "deg", "", "of the camera on the rotator's scale")
    yield of("focal_length_mm", real, "mm", "instr.tel.focalLength")
    yield of("pixel_um", real, "um", "phys.size;instr.pixel", "of the binned pixel")
    yield of("focuser_position", real, "", "", "in the focuser's own steps")
    yield of("focuser_deg_c", real, "deg_C", "phys.temperature;instr", "degrees Celsius")
    yield of("ambient_deg_c", real, "deg_C", "phys.temperature;obs.atmos", "degrees Celsius")
    yield of("site_latitude_deg", real, "deg", "pos.earth.lat;obs.observer")
    yield of("site_longitude_deg", real, "deg", "pos.earth.lon;obs.observer", "east positive")


def _what_the_sky_was() -> Iterator[FrameColumn]:
    def of(name: str, unit: str = "", ucd: str = "", meaning: str = "") -> FrameColumn:
        return FrameColumn(name, Kind.REAL, attrgetter(f"sky.{name}"), unit, ucd, meaning)

    yield of("ra_deg", "deg", "pos.eq.ra", "where it points, ICRS")
    yield of("dec_deg", "deg", "pos.eq.dec", "where it points, ICRS")
    yield FrameColumn(
        "field_deg",
        Kind.REAL,
        attrgetter("field_deg"),
        "deg",
        "phys.angSize;instr.fov",
        "shorter side of its field",
    )
    yield of("altitude_deg", "deg", "pos.az.alt", "computed for mid-exposure, without refraction")
    yield of("azimuth_deg", "deg", "pos.az.azi", "computed for mid-exposure, from north through east")
    yield of("airmass", "", "obs.airMass", "computed for mid-exposure")
    yield of("sun_altitude_deg", "deg", "pos.az.alt", "of the sun, computed for mid-exposure")
    yield of("moon_altitude_deg", "deg", "pos.az.alt", "of the moon, computed for mid-exposure")
    yield of("moon_illumination", "", "", "lit part of the moon's disk, 0 to 1")
    yield of("moon_separation_deg", "deg", "pos.angDistance", "from the moon")


def _what_was_measured() -> Iterator[FrameColumn]:
    def of(name: str, kind: Kind, unit: str = "", ucd: str = "", meaning: str = "") -> FrameColumn:
        return FrameColumn(name, kind, lambda row: getattr(row.measures, name, None), unit, ucd, meaning)

    yield of("background_adu", Kind.REAL, "adu", "phot.count;instr.background", "level of the sky")
    yield of("noise_adu", Kind.REAL, "adu", "stat.stdev;instr.background", "of the sky, in one pixel")
    yield of("stars", Kind.WHOLE, "", "meta.number;src", "that stand out of the noise")
    yield of(
        "size_px", Kind.REAL, "pix", "phys.angSize;src", "median full width at half maximum of the stars"
    )
    yield FrameColumn(
        "size_arcsec",
        Kind.REAL,
        attrgetter("size_arcsec"),
        "arcsec",
        "phys.angSize;src",
        "the same on the sky",
    )
    yield of("elongation", Kind.REAL, "", "", "ratio of the axes that the stars have in common, 1: round")
    yield of("elongation_deg", Kind.REAL, "deg", "pos.posAng", "its direction, from right to up in the image")
    yield of("saturated_px", Kind.WHOLE, "pix", "meta.number;instr.saturation", "pixels at the cut-off level")


def _what_the_header_says() -> Iterator[FrameColumn]:
    def of(fact: str, kind: Kind, unit: str = "", meaning: str = "as the header says") -> FrameColumn:
        name = fact if fact in _SAID_BY_THE_HEADER else f"header_{fact}"
        return FrameColumn(name, kind, attrgetter(f"frame.{fact}"), unit, "", meaning)

    yield of("object_name", Kind.TEXT, "", "the target as the header spells it")
    yield of("filter_name", Kind.TEXT, "", "the filter as the header spells it")
    yield of("image_type", Kind.TEXT, "", "the type as the header spells it")
    yield of("ra_deg", Kind.REAL, "deg")
    yield of("dec_deg", Kind.REAL, "deg")
    yield of("equinox", Kind.REAL, "yr", "of the header's position")
    yield of("altitude_deg", Kind.REAL, "deg")
    yield of("airmass", Kind.REAL)


_SAID_BY_THE_HEADER = ("object_name", "filter_name", "image_type", "equinox")


def _what_is_kept() -> Iterator[FrameColumn]:
    yield FrameColumn("bag", Kind.TEXT, attrgetter("bag"), "", "", "the bag's folder below the archive")
    yield FrameColumn("absent", Kind.TRUTH, attrgetter("absent"), "", "", "whether it is not there now")
    yield FrameColumn("in_use", Kind.TRUTH, attrgetter("in_use"), "", "", "whether you want it processed")
    yield FrameColumn("size_bytes", Kind.WHOLE, attrgetter("size_bytes"), "byte", "phys.size;meta.file")
    yield FrameColumn("sha256", Kind.TEXT, attrgetter("sha256"), "", "meta.checksum", "SHA-256 of the file")


COLUMNS = tuple(_columns())
"""Every fact of a frame except its path and its findings, which each form places itself."""


def findings_told(row: FrameRow) -> str | None:
    """Return a frame's findings as one text, None where it has none."""
    return "; ".join(finding.kind.value for finding in row.findings) or None
