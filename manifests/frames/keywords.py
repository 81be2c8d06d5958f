"""The one table of header keywords: each fact, and the keywords that say it, the best first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

# The unit a value is in, unless its comment names another, stands in the fact's name. "Standard" is
# what FITS Standard 4.0 defines; everything else is common practice, written down from memory.
_KEYWORDS = {
    # When. Standard: DATE, DATE-OBS, DATE-BEG, DATE-AVG, DATE-END, the last four as MJD-, TIMESYS, XPOSURE.
    "begun_utc": "DATE-OBS DATE-BEG DATE_OBS",
    "time_of_day": "TIME-OBS TIME-BEG UT UTC UTSTART UT-START UTC-OBS UT-OBS",
    "middle_utc": "DATE-AVG",
    "ended_utc": "DATE-END",
    "begun_mjd": "MJD-OBS MJD-BEG MJD_OBS MJD",
    "middle_mjd": "MJD-AVG",
    "ended_mjd": "MJD-END",
    "begun_jd": "JD JD-OBS OBSJD",
    "begun_local": "DATE-LOC DATE_LOC",  # the clock on the wall, its zone not named
    "written_utc": "DATE",  # when the header was written
    "time_scale": "TIMESYS",
    "exposure_s": "EXPTIME XPOSURE EXPOSURE",
    # What of, and through what. Standard: OBJECT.
    "image_type": "IMAGETYP IMGTYPE FRAMETYP OBSTYPE",
    "type_or_system": "FRAME",  # a type of exposure to some, a coordinate system to others
    # How made. Common practice: a count of exposures above 1, and cards that calibration leaves.
    "combined_count": "NCOMBINE STACKCNT NSTACK NCOMB NUMCOMB NSUBS SNAPSHOT",
    "calibration_state": "CALSTAT CCDPROC ZEROCOR BIASCOR DARKCOR FLATCOR",
    "planes": "ZNAXIS3 NAXIS3",  # the standard's own; the first is of a compressed image
    "object_name": "OBJECT OBJNAME TARGNAME TARGET",
    "filter_name": "FILTER FILTNAM FILT FILTNAME FILTERID FWHEEL",
    "wheel_filters": "FILTER1 FILTER2 FILTER3 FILTER4 FILTNAM1 FILTNAM2",
    # With what. Standard: INSTRUME, TELESCOP, OBSERVER.
    "camera": "INSTRUME CAMERA CAMNAME DETECTOR",
    "camera_serial": "CAMSER CAMSERNO CAMSN CAM-SN CAMERASN CCD-SER SERIALNO SERIALNB",
    "telescope": "TELESCOP TELNAME",
    "observer": "OBSERVER",
    "program": "SWCREATE CREATOR PROGRAM SOFTWARE",
    "focal_length_mm": "FOCALLEN FOCAL FOC_LEN",
    # The camera's settings. GAIN is a setting to some cameras, electrons a count to others.
    "bin_x": "XBINNING CCDXBIN BINX BINAXIS1",
    "bin_y": "YBINNING CCDYBIN BINY BINAXIS2",
    "binning": "CCDSUM BINNING",  # both at once: '2 2', '2x2'
    "gain": "GAIN CCDGAIN ISOSPEED",
    "offset": "OFFSET BLKLEVEL BLACKLEV",
    "readout_mode": "READOUTM READMODE READOUT",
    "bayer_pattern": "BAYERPAT COLORTYP",
    "pixel_um": "XPIXSZ PIXSIZE1 XPIXELSZ PIXSIZE",
    "sensor_deg_c": "CCD-TEMP CCDTEMP DET-TEMP DETTEMP SENSTEMP",
    "setpoint_deg_c": "SET-TEMP SETTEMP CCD-TSET TEMP-SET",
    # Where to. Standard: RADESYS and EQUINOX (once RADECSYS and EPOCH), CTYPEn, CRVALn, CROTA2 (deprecated).
    "ra_deg": "RA OBJCTRA OBJRA RA_OBJ RA-OBJ RA_OBS RA_TARG RA_PNT OBSRA TELRA",
    "dec_deg": "DEC OBJCTDEC OBJDEC DEC_OBJ DEC-OBJ DEC_OBS DEC_TARG DEC_PNT OBSDEC TELDEC",
    "solved_position": "CTYPE1 CTYPE2 CRVAL1 CRVAL2",
    "equinox": "EQUINOX EPOCH",
    "coordinate_system": "RADESYS RADECSYS",
    # The angle on the sky, and that on the rotator's scale; a comment may say which of the two it is.
    "rotation_deg": "OBJCTROT POSANGLE PA CROTA2",
    "rotator_deg": "ROTATOR ROTATANG ROTANGLE ROTPOS",
    "altitude_deg": "OBJCTALT CENTALT TELALT",
    # An angle above the horizon or a height above the sea: the comments have to say which.
    "altitude_or_height": "ALTITUDE ELEVATIO",
    "azimuth_deg": "AZIMUTH OBJCTAZ CENTAZ TELAZ",
    "airmass": "AIRMASS SECZ",
    # Where from. Standard: OBSGEO-B, OBSGEO-L (geodetic, east positive).
    "site_latitude_deg": "SITELAT OBSGEO-B LAT-OBS OBSLAT OBS-LAT LATITUDE GEOLAT",
    "site_longitude_deg": "SITELONG OBSGEO-L LONG-OBS OBSLON OBS-LONG LONGITUD GEOLON SITELON",
    # What was around.
    "focuser_position": "FOCPOS FOCUSPOS FOCUS",
    "focuser_deg_c": "FOCTEMP FOCUSTEM FOC-TEMP",
    "ambient_deg_c": "AMBTEMP AMB-TEMP TAMBIENT OUTTEMP AIRTEMP",
}


@dataclass(frozen=True, slots=True)
class KeywordTable:
    """Which keywords say which fact, in order of preference; `wanted` is all of them.

    The facts are fields of Frame, and a few that fields are made from (`time_of_day`, `binning`, …).
    """

    keywords: Mapping[str, tuple[str, ...]]
    wanted: frozenset[str] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        wanted = frozenset(keyword for keywords in self.keywords.values() for keyword in keywords)
        object.__setattr__(self, "wanted", wanted)

    def extended(self, additions: Mapping[str, Sequence[str]]) -> KeywordTable:
        """Return a table in which the additions, by somebody who knows the rig, come first.

        Raises KeyError for a fact that the table does not have.
        """
        keywords = dict(self.keywords)
        for fact, more in additions.items():
            own = tuple(keyword.strip().upper() for keyword in more)
            keywords[fact] = (*own, *(known for known in self.keywords[fact] if known not in own))
        return KeywordTable(MappingProxyType(keywords))


KEYWORDS = KeywordTable(MappingProxyType({fact: tuple(words.split()) for fact, words in _KEYWORDS.items()}))
