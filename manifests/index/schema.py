"""What the index's tables hold, and which of a frame's facts lies in which column.

    bags      one row a bag: where it is, whether it is there, by what its last reading is known
    series    the files of one bag, night, target, filter and type, taken with one setup: what they
              have in common, and what they add up to
    files     one row an entry: what a frame has of its own, or where a log is
    findings  what deserves a look, about a file or (without one) about a bag
    statements  what a person has said in a bag: verdicts and the like
    logs      one row a log that was read by a person's description; its `readings` and `events`
    quantities  what readings are of, by source and unit
    measures  what was measured on a frame's pixels, by the digest of its content

Archives grow by files, questions are about series: a million frames are some ten thousand series, so
that lists of targets and nights are sums over a small table, and a narrow question finds its frames by
the few series they can be in. A row keeps its id for as long as its entry stays as it is.
"""

from __future__ import annotations

from dataclasses import fields

from manifests.frames.frame import Frame
from manifests.frames.frame_sky import FrameSky
from manifests.frames.measures.frame_measures import FrameMeasures

INDEX_NAME = "index.sqlite"

# SQLite keeps this number for whoever asks what kind of database a file is: "nfry".
APPLICATION_ID = 0x6E667279

# An exposure below zero or of more than a day is a slip of a header, and must not become hours.
MOST_EXPOSURE_S = 86400.0
COUNTED_EXPOSURE = f"CASE WHEN files.exposure_s BETWEEN 0 AND {MOST_EXPOSURE_S} THEN files.exposure_s END"

COMMON_TEXTS = (
    "frame_type",
    "image_type",
    "stage",
    "object_name",
    "filter_name",
    "camera",
    "camera_serial",
    "telescope",
    "observer",
    "program",
    "readout_mode",
    "bayer_pattern",
)
COMMON_COUNTS = ("width_px", "height_px", "bin_x", "bin_y")
COMMON_NUMBERS = ("gain", "offset", "pixel_um")
COMMON_FACTS = (*COMMON_TEXTS, *COMMON_COUNTS, *COMMON_NUMBERS)
"""The facts of a `Frame` that a series has in common."""

OWN_NUMBERS = (
    "exposure_s",
    "sensor_deg_c",
    "setpoint_deg_c",
    "ra_deg",
    "dec_deg",
    "equinox",
    "rotation_deg",
    "rotator_deg",
    "focal_length_mm",
    "altitude_deg",
    "airmass",
    "site_latitude_deg",
    "site_longitude_deg",
    "focuser_position",
    "focuser_deg_c",
    "ambient_deg_c",
)
"""The facts of a `Frame` that each has of its own, beside `begun_utc`, which is kept in microseconds."""

SKY_FACTS = tuple(field.name for field in fields(FrameSky))
"""The facts of a `FrameSky`; their columns have `sky_` before the name."""

MEASURES = tuple(field.name for field in fields(FrameMeasures))
"""The measures of a frame; their columns have the same names."""

SERIES_COLUMNS = ("is_frame", "in_use", "night", "target", "filter", *COMMON_FACTS)

# Masters and stacks are made from raw frames, whose exposures count once; and what a person does not use
# counts nowhere.
COUNTED_SERIES = "(series.stage IS NULL AND series.in_use = 1)"
FILE_COLUMNS = (
    "series_id",
    "path",
    "size_bytes",
    "sha256",
    "line_digest",
    "findings",
    "begun_us",
    "field_deg",
    "direction_x",
    "direction_y",
    "direction_z",
    *OWN_NUMBERS,
    *(f"sky_{name}" for name in SKY_FACTS),
)

assert {field.name for field in fields(Frame)} == {*COMMON_FACTS, *OWN_NUMBERS, "begun_utc"}


def quoted(columns: tuple[str, ...], table: str = "") -> str:
    """Return columns as SQL takes them; some are called like words of its own ("filter", "offset")."""
    before = f"{table}." if table else ""
    return ", ".join(f'{before}"{column}"' for column in columns)


def insertion(table: str, columns: tuple[str, ...]) -> str:
    """Return the statement that puts a row into one of the tables above, its values as parameters."""
    places = ", ".join("?" * len(columns))
    return f"INSERT INTO {table} ({quoted(columns)}) VALUES ({places})"  # noqa: S608 - names from this module
