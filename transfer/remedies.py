"""What a person can do about each kind of finding, told where many files have it."""

from __future__ import annotations

from collections.abc import Mapping

from manifests.findings import FindingKind as Kind

_CLOCK = "Check the computer's clock and the site in the configuration."
_PROGRAM = "Set it in the program that writes the frames."
_DAMAGED = "The bytes are kept as they are; look whether another copy is whole."
_NEXT_RUN = "Send again when it is quiet: what is proven is not carried twice."
_ANOTHER_COPY = "File or send it again from a copy that is whole, and don't trust this disk."

REMEDIES: Mapping[Kind, str] = {
    Kind.HEADER_UNREADABLE: _DAMAGED,
    Kind.DATA_CUT_SHORT: _DAMAGED,
    Kind.DATASUM_WRONG: _DAMAGED,
    Kind.CHECKSUM_WRONG: "A program has edited the header since; the pixels are not concerned.",
    Kind.COMPRESSION_DAMAGED: _DAMAGED,
    Kind.NO_DATE: f"The file's own time counts. {_PROGRAM}",
    Kind.DATE_WITHOUT_TIME: f"The file's own time counts. {_PROGRAM}",
    Kind.LOCAL_TIME: "Write times in UTC, or with their zone.",
    Kind.DATE_IN_DOUBT: _CLOCK,
    Kind.DATED_AHEAD: _CLOCK,
    Kind.DATE_FAR_OFF: _CLOCK,
    Kind.ALTITUDE_WRONG: _CLOCK,
    Kind.AIRMASS_WRONG: _CLOCK,
    Kind.SITE_ELSEWHERE: "The header's site counts; correct the one in the configuration if that is wrong.",
    Kind.BELOW_HORIZON: _CLOCK,
    Kind.LIGHT_BY_DAY: _CLOCK,
    Kind.VALUE_LEFT_OUT: "Look at the header: no list shows this value.",
    Kind.NO_LONGITUDE: "Write longitude into [site] of nightferry.toml.",
    Kind.STILL_GROWING: _NEXT_RUN,
    Kind.CHANGED_WHILE_READ: _NEXT_RUN,
    Kind.SOURCE_ABSENT: "Connect its disk, or correct its folder in nightferry.toml.",
    Kind.NOTHING_MATCHED: "Correct its patterns in nightferry.toml: nightferry plan shows what they take.",
    Kind.NOT_TAKEN: "Where they belong to the night, add a pattern for them to `take` in nightferry.toml.",
    Kind.IMAGES_NOT_TAKEN: "Add a pattern for them to `take` in nightferry.toml, and send again.",
    Kind.VANISHED: "Look whether a program has moved or deleted it.",
    Kind.LOCKED: "Close the program that holds it, and send again.",
    Kind.UNREADABLE: "Look at its permissions; if those are right, its disk may be failing.",
    Kind.NOT_A_FILE: "It is left where it is.",
    Kind.FOLDER_LOOP: "Its files are carried once.",
    Kind.SYSTEM_DISK: "Send to another disk as well: this one cannot be carried away.",
    Kind.SAME_MARK: "Delete nightferry-drive.toml on the copies, then nightferry prepare DRIVE --name NAME.",
    Kind.SAME_NAME: "Give each a name of its own with nightferry prepare DRIVE --name NAME.",
    Kind.NAME_CHANGED: "The original name is kept in the bag's entries.",
    Kind.KEPT_BOTH: "Compare the two; in an archive, nightferry amend --use no keeps one out of use.",
    Kind.TOO_LARGE: "Send to a drive with another file system, such as exFAT.",
    Kind.WRITTEN_AGAIN: "The second copy matched; where it happens again, replace the drive.",
    Kind.NOT_PROVEN: "Send again; where it stays so, use another drive.",
    Kind.NO_TYPE: f"Frames without a type count as lights. {_PROGRAM}",
    Kind.NO_TARGET: f"It was placed by its position. {_PROGRAM}",
    Kind.POINTED_ELSEWHERE: "Look where the telescope pointed, and name the target that it was.",
    Kind.SAME_FIELD: "Where they are one target, write both names into [targets].",
    Kind.NOT_FILED: "File again; don't delete it anywhere before it is in the archive.",
    Kind.NOT_ACKNOWLEDGED: "File the drive again before anything of it is deleted.",
    Kind.NOT_BELIEVED: "File the drive again at the archive; if it was not forged, that makes it right.",
    Kind.NOT_DELETED: "Nothing is lost: nightferry clear says what it still needs to go.",
    Kind.STREAKED: "Look at it: where it is spoilt, nightferry amend --use no keeps it out.",
    Kind.CLOUD: "Look at it: where it is spoilt, nightferry amend --use no keeps it out.",
    Kind.FEWER_STARS: "Look at it: where it is spoilt, nightferry amend --use no keeps it out.",
    Kind.FOCUS_DRIFT: "Look at it; focus more often where that comes again.",
    Kind.NO_STARS: "Look at it: where it is spoilt, nightferry amend --use no keeps it out.",
    Kind.NOT_MEASURED: "Nothing is known of its stars; the frame itself is kept as it is.",
    Kind.NOT_KEPT: "Look at the disk that it was to be written to, then do this again.",
    Kind.ONE_PLACE_ONLY: "Bring it to another place before anything happens to this one.",
    Kind.BEING_LET_GO: "To go on: nightferry clear --drive --delete.",
    Kind.NOT_AMENDED: "Say what it is, or leave it out.",
    Kind.AMENDED: "What you said counts; nightferry amend --as-headers-say takes it back.",
    Kind.INDEX_BEHIND: "nightferry index builds it again.",
    Kind.LOG_NOT_READ: "Try its description with nightferry plan --logs.",
    Kind.MISSING: "File or send it again from a copy that is there.",
    Kind.CHANGED: _ANOTHER_COPY,
    Kind.UNLISTED: "Look where it comes from: no list of the bag has it.",
    Kind.MALFORMED: "Look who wrote it: it cannot be followed as it stands.",
    Kind.DAMAGED: "nightferry heal writes it again from a copy that holds.",
    Kind.UNFINISHED: "Send to this drive again to finish it.",
}
