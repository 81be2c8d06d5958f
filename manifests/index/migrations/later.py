"""The later layouts: columns and tables that the first had not, and how they are filled."""

from __future__ import annotations

STAGES = ("ALTER TABLE series ADD COLUMN stage TEXT",)  # raw, master, stack or calibrated
ROTATORS = (
    "ALTER TABLE series ADD COLUMN camera_serial TEXT",
    "ALTER TABLE files ADD COLUMN rotator_deg REAL",
)
IN_USE = ("ALTER TABLE series ADD COLUMN in_use INTEGER NOT NULL DEFAULT 1",)  # whether a person uses it

# A new column is filled from the bags: at the next look each is read again, and no line of it is taken for
# one that the index has, since no line has a digest as small as an id.
READ_AGAIN = (
    "UPDATE bags SET fingerprint = NULL, tag_size_bytes = NULL, tag_modified_ns = NULL, tag_inode = NULL",
    "UPDATE files SET line_digest = id",
)

# What a person has said in a bag (see manifests/bags/statements.py), a row a line.
_STATEMENTS = """
CREATE TABLE statements (
    bag_id INTEGER NOT NULL REFERENCES bags (id),
    kind TEXT NOT NULL,
    said_us INTEGER NOT NULL,             -- microseconds since 1970, UTC
    facts TEXT NOT NULL                   -- JSON
)"""

# What the logs say by the person's descriptions (see manifests/readings/), a row a file that was read by one.
_LOGS = """
CREATE TABLE logs (
    id INTEGER PRIMARY KEY,
    file_id INTEGER NOT NULL REFERENCES files (id),
    description TEXT NOT NULL,            -- its digest: another one is read anew
    source TEXT NOT NULL,
    lines INTEGER NOT NULL,
    taken INTEGER NOT NULL,
    unmatched INTEGER NOT NULL,
    jumps INTEGER NOT NULL,
    problems TEXT NOT NULL                -- JSON, a list of sentences
)"""

_QUANTITIES = """
CREATE TABLE quantities (
    id INTEGER PRIMARY KEY,
    source TEXT NOT NULL,
    quantity TEXT NOT NULL,
    unit TEXT NOT NULL,                   -- astropy's name, or nothing
    UNIQUE (source, quantity, unit)
)"""

# Ten seconds a row: its first, last, lowest and highest reading, and how many there were.
_READINGS = """
CREATE TABLE readings (
    log_id INTEGER NOT NULL REFERENCES logs (id),
    quantity_id INTEGER NOT NULL REFERENCES quantities (id),
    at_us INTEGER NOT NULL,
    first REAL NOT NULL,
    last REAL NOT NULL,
    lowest REAL NOT NULL,
    highest REAL NOT NULL,
    count INTEGER NOT NULL
)"""

_EVENTS = """
CREATE TABLE events (
    log_id INTEGER NOT NULL REFERENCES logs (id),
    at_us INTEGER NOT NULL,
    event TEXT NOT NULL,
    text TEXT NOT NULL,
    line INTEGER NOT NULL
)"""

SAID_AND_LOGGED = (
    _STATEMENTS,
    _LOGS,
    _QUANTITIES,
    _READINGS,
    _EVENTS,
    "CREATE INDEX statements_by_bag ON statements (bag_id)",
    "CREATE INDEX statements_by_kind ON statements (kind, said_us)",
    "CREATE INDEX logs_by_file ON logs (file_id)",
    "CREATE INDEX readings_by_time ON readings (at_us)",
    "CREATE INDEX readings_by_log ON readings (log_id)",
    "CREATE INDEX events_by_time ON events (at_us)",
    "CREATE INDEX events_by_log ON events (log_id)",
)

# What was measured on the pixels of a frame (see manifests/frames/measures/), by the digest of its content.
MEASURED = (
    """
CREATE TABLE measures (
    sha256 BLOB PRIMARY KEY,
    method INTEGER NOT NULL,              -- the way of measuring; in another way it is made anew
    background_adu REAL,
    noise_adu REAL,
    stars INTEGER,
    size_px REAL,
    elongation REAL,
    elongation_deg REAL,
    saturated_px INTEGER,
    why_not TEXT NOT NULL                 -- why it could not be measured, or nothing
) WITHOUT ROWID""",
)
