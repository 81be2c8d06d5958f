from __future__ import annotations

import pytest

from manifests.frames.hdus import HeaderUnreadable, ends_header, read_hdu


def test_a_header_without_axes_has_no_data(primary):
    hdu = read_hdu(primary())
    assert (hdu.kind, hdu.standard, hdu.data_bytes, hdu.padded_bytes, hdu.image_px) == ("", True, 0, 0, None)


def test_an_image_has_its_pixels_times_bytes_and_is_filled_to_whole_blocks(primary):
    hdu = read_hdu(primary(axes=(40, 30), bitpix=-32))
    assert (hdu.data_bytes, hdu.padded_bytes, hdu.image_px) == (4800, 5760, (40, 30))


def test_the_primary_hdu_has_no_group_factor(primary):
    hdu = read_hdu(primary(("PCOUNT", 5), ("GCOUNT", 3), axes=(10, 10)))
    assert hdu.data_bytes == 200


def test_an_extension_counts_its_heap_and_its_groups(header):
    cards = (("XTENSION", "BINTABLE"), ("BITPIX", 8), ("NAXIS", 2), ("NAXIS1", 24), ("NAXIS2", 10))
    assert read_hdu(header(*cards, ("PCOUNT", 1000), ("GCOUNT", 1))).data_bytes == 1240
    assert read_hdu(header(*cards, ("PCOUNT", 10), ("GCOUNT", 3))).data_bytes == 750
    assert read_hdu(header(*cards)).data_bytes == 240


def test_random_groups_leave_the_first_axis_out(primary):
    groups = (("GROUPS", True), ("PCOUNT", 5), ("GCOUNT", 3))
    hdu = read_hdu(primary(*groups, axes=(0, 3, 1, 128), bitpix=-32))
    assert hdu.data_bytes == 4 * 3 * (5 + 3 * 128)
    assert hdu.image_px is None


def test_an_empty_first_axis_without_groups_is_an_empty_image(primary):
    assert read_hdu(primary(axes=(0, 3))).data_bytes == 0
    assert read_hdu(primary(axes=(777777701, 0))).image_px is None


def test_a_tile_compressed_image_has_the_size_of_the_image_not_of_its_table(extension):
    sizes = (("ZIMAGE", True), ("ZNAXIS", 2), ("ZNAXIS1", 6248), ("ZNAXIS2", 4176))
    hdu = read_hdu(extension(*sizes, kind="BINTABLE", axes=(8, 4176), bitpix=8))
    assert (hdu.image_px, hdu.data_bytes) == ((6248, 4176), 8 * 4176)


def test_a_plain_table_is_no_image(extension):
    assert read_hdu(extension(kind="BINTABLE", axes=(24, 10), bitpix=8)).image_px is None


def test_free_format_and_repeated_keywords_are_read_as_the_first_says(header):
    hdu = read_hdu(
        header(b"SIMPLE  = T", b"BITPIX  = 16/ bits", b"NAXIS   =1", b"NAXIS1  =   +12 / n", b"NAXIS1  = 99")
    )
    assert hdu.data_bytes == 24


def test_a_file_that_says_it_is_not_standard_is_told_apart(header):
    assert not read_hdu(header(("SIMPLE", False), ("BITPIX", 8), ("NAXIS", 0))).standard


def test_checksum_cards_are_text_with_or_without_quotes_and_blank_ones_are_none(primary):
    hdu = read_hdu(primary(("DATASUM", "3949456131"), ("CHECKSUM", "MPAGOM8DMMADMM5D")))
    assert (hdu.datasum, hdu.checksum) == ("3949456131", "MPAGOM8DMMADMM5D")
    assert read_hdu(primary(("DATASUM", 3949456131))).datasum == "3949456131"
    blank = read_hdu(primary(("DATASUM", "        ")))
    assert (blank.datasum, blank.checksum) == (None, None)


def test_what_stands_behind_end_does_not_count(primary):
    behind = primary() + b"NAXIS   =                    3".ljust(80)
    assert read_hdu(behind).data_bytes == 0


@pytest.mark.parametrize(
    ("cards", "reason"),
    [
        ([("BITPIX", 16), ("NAXIS", 0)], "neither SIMPLE nor XTENSION"),
        ([("SIMPLE", True), ("NAXIS", 0)], "BITPIX is missing"),
        ([("SIMPLE", True), ("BITPIX", 17), ("NAXIS", 0)], "BITPIX is 17"),
        ([("SIMPLE", True), ("BITPIX", 16)], "NAXIS is missing"),
        ([("SIMPLE", True), ("BITPIX", 16), ("NAXIS", -1)], "NAXIS is -1"),
        ([("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 1000)], "NAXIS is 1000"),
        ([("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 2), ("NAXIS1", 5)], "NAXIS2 is missing"),
        ([("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 1), ("NAXIS1", -5)], "NAXIS1 is -5"),
        ([("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 1), ("NAXIS1", 5.5)], "NAXIS1 is not a whole number"),
        (
            [("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 1), ("NAXIS1", b"1_000")],
            "NAXIS1 is not a whole number",
        ),
        (
            [("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 1), ("NAXIS1", b"9" * 60)],
            "NAXIS1 is not a whole number",
        ),
        ([("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 1), ("NAXIS1", 10**19)], "larger than any file"),
        (
            [("XTENSION", "IMAGE"), ("BITPIX", 16), ("NAXIS", 1), ("NAXIS1", 1), ("PCOUNT", -1)],
            "PCOUNT is -1",
        ),
    ],
)
def test_a_hostile_header_is_unreadable_and_says_why(header, cards, reason):
    with pytest.raises(HeaderUnreadable, match=reason):
        read_hdu(header(*cards))


def test_end_is_seen_only_where_a_record_begins(primary):
    assert ends_header(primary())
    assert not ends_header(b"COMMENT END     ".ljust(2880))
    assert not ends_header(b"ENDING  = 1".ljust(2880))
    assert not ends_header(b"")
