"""The later layouts: columns for facts that the first had not, and how they are filled."""

from __future__ import annotations

STAGES = ("ALTER TABLE series ADD COLUMN stage TEXT",)  # raw, master, stack or calibrated
ROTATORS = (
    "ALTER TABLE series ADD COLUMN camera_serial TEXT",
    "ALTER TABLE files ADD COLUMN rotator_deg REAL",
)

# A new column is filled from the bags: at the next look each is read again, and no line of it is taken for
# one that the index has, since no line has a digest as small as an id.
READ_AGAIN = (
    "UPDATE bags SET fingerprint = NULL, tag_size_bytes = NULL, tag_modified_ns = NULL, tag_inode = NULL",
    "UPDATE files SET line_digest = id",
)
