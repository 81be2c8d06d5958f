"""A frame as a row of IVOA's ObsCore: the mandatory columns of its version 1.1, and what a raw frame says.

Names, units, UCDs and utypes are those of the mandatory columns in IVOA Recommendation ObsCore 1.1 (2017),
written down from memory and held against tables that data centres publish. What an archive of raw frames
can't know (the spectral range, the resolution, the region on the sky) stays null, which the standard allows.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from manifests.index.frame_query import FrameRow
from manifests.index.schema import MOST_EXPOSURE_S
from transfer.archive.mark import ArchiveIdentity
from transfer.cli.formats.listing import Listing

_MJD_0 = datetime(1858, 11, 17, tzinfo=UTC)
_DAY = timedelta(days=1)

# A dataset is known by its content. No registered authority publishes an archive at home; a name under
# "invalid" is nobody's, and never will be (RFC 2606, section 2).
_AUTHORITY = "ivo://nightferry.invalid"

# Name, datatype, unit, UCD, utype; "-" is none.
_TABLE = """
dataproduct_type  char   -      meta.code.class              ObsDataset.dataProductType
calib_level       int    -      meta.code;obs.calib          ObsDataset.calibLevel
obs_collection    char   -      meta.id                      DataID.Collection
obs_id            char   -      meta.id                      DataID.observationID
obs_publisher_did char   -      meta.ref.uri;meta.curation   Curation.PublisherDID
access_url        char   -      meta.ref.url                 Access.Reference
access_format     char   -      meta.code.mime               Access.Format
access_estsize    long   kbyte  phys.size;meta.file          Access.Size
target_name       char   -      meta.id;src                  Target.Name
s_ra double deg pos.eq.ra Char.SpatialAxis.Coverage.Location.Coord.Position2D.Value2.C1
s_dec double deg pos.eq.dec Char.SpatialAxis.Coverage.Location.Coord.Position2D.Value2.C2
s_fov             double deg    phys.angSize;instr.fov       Char.SpatialAxis.Coverage.Bounds.Extent.diameter
s_region          char   -      pos.outline;obs.field        Char.SpatialAxis.Coverage.Support.Area
s_xel1            long   -      meta.number                  Char.SpatialAxis.numBins1
s_xel2            long   -      meta.number                  Char.SpatialAxis.numBins2
s_resolution      double arcsec pos.angResolution            Char.SpatialAxis.Resolution.Refval.value
t_min             double d      time.start;obs.exposure      Char.TimeAxis.Coverage.Bounds.Limits.StartTime
t_max             double d      time.end;obs.exposure        Char.TimeAxis.Coverage.Bounds.Limits.StopTime
t_exptime         double s      time.duration;obs.exposure   Char.TimeAxis.Coverage.Support.Extent
t_resolution      double s      time.resolution              Char.TimeAxis.Resolution.Refval.value
t_xel             long   -      meta.number                  Char.TimeAxis.numBins
em_min            double m      em.wl;stat.min               Char.SpectralAxis.Coverage.Bounds.Limits.LoLimit
em_max            double m      em.wl;stat.max               Char.SpectralAxis.Coverage.Bounds.Limits.HiLimit
em_res_power      double -      spect.resolution             Char.SpectralAxis.Resolution.ResolPower.refVal
em_xel            long   -      meta.number                  Char.SpectralAxis.numBins
o_ucd             char   -      meta.ucd                     Char.ObservableAxis.ucd
pol_states        char   -      meta.code;phys.polarization  Char.PolarizationAxis.stateList
pol_xel           long   -      meta.number                  Char.PolarizationAxis.numBins
facility_name     char   -      meta.id;instr.tel            Provenance.ObsConfig.Facility.name
instrument_name   char   -      meta.id;instr                Provenance.ObsConfig.Instrument.name
"""


class ObsCoreColumn(NamedTuple):
    """A column of ObsCore, described as a VOTable's field is."""

    name: str
    datatype: str
    unit: str
    ucd: str
    utype: str


def _column(line: str) -> ObsCoreColumn:
    name, datatype, unit, ucd, utype = line.split()
    return ObsCoreColumn(name, datatype, "" if unit == "-" else unit, ucd, f"obscore:{utype}")


OBSCORE = tuple(map(_column, _TABLE.strip().splitlines()))
"""The mandatory columns, in the standard's order."""


def obscore_values(identity: ArchiveIdentity, listing: Listing, row: FrameRow) -> dict[str, Any]:
    """Return the columns of a frame that are known; all others are null."""
    return {
        "dataproduct_type": "image",
        "calib_level": 1,
        "obs_collection": identity.name,
        "obs_id": f"{row.bag}/{row.path}",
        "obs_publisher_did": f"{_AUTHORITY}/{identity.id or 'frames'}?{row.sha256}",
        "target_name": row.target,
        "s_ra": row.sky.ra_deg,
        "s_dec": row.sky.dec_deg,
        "s_fov": field_of_view_deg(row),
        "s_xel1": row.frame.width_px,
        "s_xel2": row.frame.height_px,
        "t_xel": 1,
        "em_xel": 1,
        "o_ucd": "phot.count",
        "facility_name": row.frame.telescope,
        "instrument_name": row.frame.camera,
        **_access(listing, row),
        **_times(row),
    }


def _access(listing: Listing, row: FrameRow) -> Mapping[str, Any]:
    packed = row.path.lower().endswith(".gz")
    return {
        "access_url": None if row.absent else listing.path_of(row).as_uri(),
        "access_format": "application/gzip" if packed else "image/fits",
        "access_estsize": math.ceil(row.size_bytes / 1000),
    }


def _times(row: FrameRow) -> Mapping[str, Any]:
    begun, exposure_s = row.frame.begun_utc, row.frame.exposure_s
    if begun is None:
        return {"t_exptime": exposure_s}
    lasted = (
        timedelta(seconds=exposure_s) if exposure_s and 0 < exposure_s <= MOST_EXPOSURE_S else timedelta()
    )
    return {"t_min": mjd(begun), "t_max": mjd(begun + lasted), "t_exptime": exposure_s}


def mjd(moment: datetime) -> float:
    """Return a moment as a Modified Julian Date, in UTC."""
    return (moment - _MJD_0) / _DAY


def field_of_view_deg(row: FrameRow) -> float | None:
    """Return the diameter of the circle that holds the whole field, in degrees."""
    width, height = row.frame.width_px, row.frame.height_px
    if row.field_deg is None or not width or not height:
        return row.field_deg
    half_side = math.tan(math.radians(row.field_deg) / 2)
    return math.degrees(2 * math.atan(half_side * math.hypot(width, height) / min(width, height)))
