"""How files are opened on Windows; values and sharing rules from Microsoft's CreateFileW."""

import itertools

import pytest

from tests.support.recorded_windows import openings_go_together
from transfer.engine.medium.windows import openings

READ, WRITE, DELETE = 1, 2, 4
_READS = openings.GENERIC_READ | openings.FILE_LIST_DIRECTORY
ALL = {name: value for name, value in vars(openings).items() if isinstance(value, openings.Opening)}


def _rights(how):
    """Return what an opening does, in terms of what another must share."""
    return (READ if how.access & _READS else 0) | (WRITE if how.access & openings.GENERIC_WRITE else 0)


def test_the_names_have_the_values_of_windows():
    assert openings.GENERIC_READ | openings.GENERIC_WRITE == 0xC0000000
    assert openings.FILE_FLAG_NO_BUFFERING == 0x20000000
    assert openings.FILE_FLAG_SEQUENTIAL_SCAN == 0x08000000
    assert openings.FILE_FLAG_BACKUP_SEMANTICS == 0x02000000
    assert openings.FILE_FLAG_OPEN_REPARSE_POINT == 0x00200000
    assert (openings.CREATE_NEW, openings.OPEN_EXISTING) == (1, 3)


@pytest.mark.parametrize("how", [openings.SOURCE, openings.LOCK, openings.FILE_TO_READ], ids=str)
def test_no_other_program_is_hindered(how):
    assert how.share == READ | WRITE | DELETE


@pytest.mark.parametrize("how", [openings.PINNED_FOLDER, openings.INNER_FOLDER], ids=str)
def test_a_held_folder_cannot_be_replaced(how):
    assert how.share == READ | WRITE, "not for deletion, so that it stays"
    assert _rights(how), "a handle without a right takes no part in sharing"
    assert how.flags & openings.FILE_FLAG_BACKUP_SEMANTICS


def test_a_link_below_is_opened_itself():
    assert openings.INNER_FOLDER.flags & openings.FILE_FLAG_OPEN_REPARSE_POINT
    assert openings.NEW_FILE.flags & openings.FILE_FLAG_OPEN_REPARSE_POINT


def test_only_a_new_file_is_created_and_nothing_is_ever_emptied():
    assert openings.NEW_FILE.creation == openings.CREATE_NEW
    assert {how.creation for name, how in ALL.items() if name != "NEW_FILE"} == {openings.OPEN_EXISTING}


def test_only_what_is_to_be_written_is_opened_for_writing():
    assert {name for name, how in ALL.items() if _rights(how) & WRITE} == {
        "NEW_FILE",
        "FILE_TO_EXTEND",
        "FOLDER_TO_FLUSH",
        "LOCK",
        "WHOLE_VOLUME",
    }


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("NEW_FILE", "FILE_TO_READ"),  # a journal is read while it grows
        ("NEW_FILE", "UNBUFFERED"),  # tag files are read back before they are closed
        ("PINNED_FOLDER", "FOLDER_TO_FLUSH"),
        ("INNER_FOLDER", "FOLDER_TO_FLUSH"),
        ("PINNED_FOLDER", "PINNED_FOLDER"),  # looked at again
        ("LOCK", "FILE_TO_READ"),
        ("LOCK", "LOCK"),  # it is the lock that keeps the second run off, not the opening
        ("LOCK", "FILE_TO_EXTEND"),  # the ledger is written while its run has it locked
        ("FILE_TO_EXTEND", "FILE_TO_READ"),
        ("SOURCE", "ALONE_WITH_READERS"),
    ],
)
def test_what_this_program_opens_twice_goes_together(one, other):
    assert openings_go_together(ALL[one], ALL[other])


def test_a_file_being_renamed_shares_its_deletion():
    assert openings.NEW_FILE.share & DELETE


def test_only_a_writer_is_in_the_way_of_the_question_for_writers():
    question = openings.ALONE_WITH_READERS
    for access, share in itertools.product((openings.GENERIC_READ, openings.GENERIC_WRITE), range(8)):
        program = openings.Opening(access, share, openings.OPEN_EXISTING, 0)
        if share & READ:  # one that shares no reading kept us from opening the source at all
            assert openings_go_together(question, program) is (access == openings.GENERIC_READ)


@pytest.mark.parametrize("sector", [512, 2048, 4096])
def test_a_read_past_the_cache_lies_on_whole_sectors(sector):
    assert openings.is_aligned(1 << 20, 1 << 20, 0x7FF0_0001_0000, sector)
    assert not openings.is_aligned(100, 1 << 20, 0x7FF0_0001_0000, sector)
    assert not openings.is_aligned(1 << 20, (1 << 20) + 1, 0x7FF0_0001_0000, sector)
    assert not openings.is_aligned(1 << 20, 1 << 20, 0x7FF0_0001_0008, sector)


def test_an_odd_or_unknown_sector_is_never_aligned_to():
    assert not openings.is_aligned(1 << 20, 1 << 20, 0x10000, 0)
    assert not openings.is_aligned(1 << 20, 1 << 20, 0x10000, 520)


@pytest.mark.parametrize(
    ("attributes", "tag", "elsewhere"),
    [
        (0x410, 0xA000000C, True),  # IO_REPARSE_TAG_SYMLINK, of a folder
        (0x410, 0xA0000003, True),  # IO_REPARSE_TAG_MOUNT_POINT: a junction
        (0x420, 0x80000013, False),  # IO_REPARSE_TAG_DEDUP: the file itself, stored otherwise
        (0x420, 0x9000001A, False),  # IO_REPARSE_TAG_CLOUD
        (0x10, 0xA000000C, False),
        (0x20, 0, False),
    ],
)
def test_a_link_is_told_from_a_file_that_is_stored_otherwise(attributes, tag, elsewhere):
    assert openings.leads_elsewhere(attributes, tag) is elsewhere
