"""A finding: something about one file that deserves a look, in one vocabulary."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class FindingKind(StrEnum):
    """Every finding's name, as screens, receipts, entries and `--json` show it."""

    # What a frame's bytes say.
    HEADER_UNREADABLE = "header unreadable"
    DATA_CUT_SHORT = "data cut short"
    DATASUM_WRONG = "DATASUM does not hold"
    CHECKSUM_WRONG = "CHECKSUM does not hold"
    COMPRESSION_DAMAGED = "compression damaged"
    NO_DATE = "no date in the header"
    DATE_WITHOUT_TIME = "date without a time"
    LOCAL_TIME = "local time without its zone"
    DATE_IN_DOUBT = "date in doubt"
    DATED_AHEAD = "dated in the future"
    DATE_FAR_OFF = "date far from the file's own time"
    ALTITUDE_WRONG = "altitude does not fit time and site"
    AIRMASS_WRONG = "airmass does not fit time and site"
    SITE_ELSEWHERE = "taken at another site than the configured one"
    BELOW_HORIZON = "target below the horizon"
    LIGHT_BY_DAY = "light taken by day"

    VALUE_LEFT_OUT = "a value that no list can show was left out"

    NO_LONGITUDE = "no longitude in the configuration"

    # What happened to a source while it was carried.
    STILL_GROWING = "still growing"
    CHANGED_WHILE_READ = "changed while it was read"
    SOURCE_ABSENT = "the folder of this source is not there"
    NOTHING_MATCHED = "nothing matches its patterns"
    IMAGES_NOT_TAKEN = "images that no pattern takes"
    NOT_TAKEN = "files that no pattern takes"
    VANISHED = "vanished"
    LOCKED = "locked by another program"
    UNREADABLE = "unreadable"
    NOT_A_FILE = "not a file or folder"
    FOLDER_LOOP = "a link that leads back into its own folder"

    # What the drive made of it.
    SYSTEM_DISK = "on the same disk as the system"
    SAME_MARK = "has the mark of another drive that is connected"
    SAME_NAME = "called as another drive that is connected"
    NAME_CHANGED = "stored under another name"
    KEPT_BOTH = "other content under a known name: both kept"
    TOO_LARGE = "larger than the drive's file system can hold"
    WRITTEN_AGAIN = "the copy did not match and was written again"
    NOT_PROVEN = "not proven"

    # What the archive made of it.
    NO_TYPE = "no frame type in the header"
    NO_TARGET = "no target in the header"
    POINTED_ELSEWHERE = "the position is not that of the target"
    SAME_FIELD = "two targets in one field"
    NOT_FILED = "not filed"
    NOT_ACKNOWLEDGED = "not acknowledged on the drive"
    NOT_DELETED = "not deleted"
    NOT_BELIEVED = "acknowledgement not believed"
    NOT_KEPT = "not written down"
    ONE_PLACE_ONLY = "in one place only"
    NOT_AMENDED = "not amended"
    AMENDED = "amended"
    INDEX_BEHIND = "the index was not brought up to date"
    LOG_NOT_READ = "log not understood"

    # What the pixels say, beside those of the same night, target and filter.
    STREAKED = "streaked"
    CLOUD = "cloud"
    FEWER_STARS = "fewer stars"
    FOCUS_DRIFT = "focus drift"
    NO_STARS = "no stars"
    NOT_MEASURED = "not measured"

    # What a bag says.
    MISSING = "missing"
    CHANGED = "changed"
    UNLISTED = "unlisted"
    MALFORMED = "malformed"
    UNFINISHED = "unfinished"
    DAMAGED = "found damaged"
    BEING_LET_GO = "being let go"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing about one file.

    `path` is relative to whatever reports it (a source, a bag, a drive) and may be empty where the
    holder of the finding already names the file. `detail` is a sentence for a person, or empty.
    """

    kind: FindingKind
    detail: str = ""
    path: str = ""

    def as_json(self) -> dict[str, str]:
        """Return the finding as `--json` prints it: `path`, `finding`, `detail`."""
        return {"path": self.path, "finding": self.kind.value, "detail": self.detail}
