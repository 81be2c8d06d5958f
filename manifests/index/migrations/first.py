"""The first layout. Its tables are not STRICT: that asks for a newer SQLite than some systems have."""

from __future__ import annotations

_BAGS = """
CREATE TABLE bags (
    id INTEGER PRIMARY KEY,
    path TEXT NOT NULL UNIQUE,            -- below the archive, with '/'
    present INTEGER NOT NULL DEFAULT 1,
    fingerprint TEXT,                     -- SHA-256 of its tagmanifest-sha256.txt; NULL: read it again
    tag_size_bytes INTEGER,               -- of that file, to know it again without reading it
    tag_modified_ns INTEGER,
    tag_inode INTEGER
)"""

_SERIES = """
CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    bag_id INTEGER NOT NULL REFERENCES bags (id),
    is_frame INTEGER NOT NULL,
    night TEXT NOT NULL,                  -- ISO 8601
    target TEXT,
    filter TEXT,
    frame_type TEXT,
    image_type TEXT,
    object_name TEXT,
    filter_name TEXT,
    camera TEXT,
    telescope TEXT,
    observer TEXT,
    program TEXT,
    readout_mode TEXT,
    bayer_pattern TEXT,
    width_px INTEGER,
    height_px INTEGER,
    bin_x INTEGER,
    bin_y INTEGER,
    gain REAL,
    "offset" REAL,
    pixel_um REAL,
    -- What its files add up to; see `summaries`.
    files INTEGER NOT NULL DEFAULT 0,
    findings INTEGER NOT NULL DEFAULT 0,
    total_exposure_s REAL NOT NULL DEFAULT 0,
    least_exposure_s REAL,
    most_exposure_s REAL,
    first_begun_us INTEGER,
    last_begun_us INTEGER,
    least_altitude_deg REAL,
    most_altitude_deg REAL,
    least_sun_altitude_deg REAL,
    most_sun_altitude_deg REAL,
    total_moon_illumination REAL NOT NULL DEFAULT 0,
    moons INTEGER NOT NULL DEFAULT 0,
    field_deg REAL,
    total_x REAL NOT NULL DEFAULT 0,
    total_y REAL NOT NULL DEFAULT 0,
    total_z REAL NOT NULL DEFAULT 0,
    least_x REAL,
    most_x REAL,
    least_y REAL,
    most_y REAL,
    least_z REAL,
    most_z REAL
)"""

_FILES = """
CREATE TABLE files (
    id INTEGER PRIMARY KEY,
    series_id INTEGER NOT NULL REFERENCES series (id),
    path TEXT NOT NULL,                   -- in the bag, with '/'
    size_bytes INTEGER NOT NULL,
    sha256 BLOB NOT NULL,
    line_digest INTEGER NOT NULL,         -- of its line in entries.jsonl
    findings INTEGER NOT NULL,            -- how many
    begun_us INTEGER,                     -- microseconds since 1970, UTC
    field_deg REAL,
    direction_x REAL,                     -- where it points, a unit vector (ICRS)
    direction_y REAL,
    direction_z REAL,
    exposure_s REAL,
    sensor_deg_c REAL,
    setpoint_deg_c REAL,
    ra_deg REAL,                          -- these as the header says
    dec_deg REAL,
    equinox REAL,
    rotation_deg REAL,
    focal_length_mm REAL,
    altitude_deg REAL,
    airmass REAL,
    site_latitude_deg REAL,
    site_longitude_deg REAL,
    focuser_position REAL,
    focuser_deg_c REAL,
    ambient_deg_c REAL,
    sky_ra_deg REAL,                      -- these as they were computed (ICRS)
    sky_dec_deg REAL,
    sky_altitude_deg REAL,
    sky_azimuth_deg REAL,
    sky_airmass REAL,
    sky_sun_altitude_deg REAL,
    sky_moon_altitude_deg REAL,
    sky_moon_illumination REAL,
    sky_moon_separation_deg REAL
)"""

_FINDINGS = """
CREATE TABLE findings (
    bag_id INTEGER NOT NULL REFERENCES bags (id),
    file_id INTEGER REFERENCES files (id),
    kind TEXT NOT NULL,
    detail TEXT NOT NULL,
    path TEXT NOT NULL
)"""

_MIGRATIONS = """
CREATE TABLE migrations (
    version INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    applied_utc TEXT NOT NULL
)"""

# With all that the lists of targets and of nights are made of, so that each is one walk through an index.
_SERIES_BY_TARGET = """
CREATE INDEX series_by_target ON series (
    is_frame, target, filter, night, frame_type, bag_id,
    files, total_exposure_s, field_deg, total_x, total_y, total_z
)"""
_SERIES_BY_NIGHT = """
CREATE INDEX series_by_night ON series (
    is_frame, night, frame_type, target, filter, bag_id,
    files, total_exposure_s, findings, total_moon_illumination, moons
)"""

FIRST = (
    "PRAGMA application_id = 0x6E667279",
    _MIGRATIONS,
    _BAGS,
    _SERIES,
    _FILES,
    _FINDINGS,
    "CREATE INDEX series_by_bag ON series (bag_id)",
    _SERIES_BY_TARGET,
    _SERIES_BY_NIGHT,
    "CREATE INDEX series_by_filter ON series (is_frame, filter)",
    "CREATE INDEX series_by_place ON series (is_frame, least_z, most_z, least_x, most_x, least_y, most_y)",
    "CREATE INDEX series_by_altitude ON series (is_frame, least_altitude_deg, most_altitude_deg)",
    "CREATE INDEX series_by_sun ON series (is_frame, most_sun_altitude_deg, least_sun_altitude_deg)",
    "CREATE INDEX series_by_findings ON series (is_frame, findings)",
    "CREATE INDEX series_by_camera ON series (is_frame, camera)",
    "CREATE INDEX files_by_series ON files (series_id, begun_us)",
    "CREATE INDEX files_by_time ON files (begun_us)",
    "CREATE INDEX files_by_content ON files (sha256)",
    "CREATE INDEX findings_by_file ON findings (file_id)",
    "CREATE INDEX findings_by_bag ON findings (bag_id)",
)
