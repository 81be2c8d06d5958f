from __future__ import annotations

import pytest

from manifests.findings import FindingKind
from manifests.frames.hdu_walk import MOST_HEADER_BYTES, MOST_HEADERS, HduWalk, Notes
from manifests.frames.hdus import BLOCK


def _walk(*blocks: bytes) -> HduWalk:
    walk = HduWalk()
    for block in blocks:
        walk.feed(block)
    walk.finish()
    return walk


def _kinds(walk: HduWalk) -> list[FindingKind]:
    return [finding.kind for finding in walk.notes.findings()]


def _details(walk: HduWalk) -> str:
    return " | ".join(finding.detail for finding in walk.notes.findings())


def test_a_whole_file_of_several_hdus_has_no_findings(primary, extension, filled):
    file = (
        primary(axes=(10, 10))
        + filled(bytes(200))
        + extension()
        + extension(axes=(40, 40))
        + filled(bytes(3200))
    )
    walk = _walk(file)
    assert _kinds(walk) == []
    assert [image_px for _, image_px in walk.headers] == [(10, 10), None, (40, 40)]
    assert b"".join(header for header, _ in walk.headers) == file[:BLOCK] + file[2 * BLOCK : 4 * BLOCK]


def test_missing_data_are_counted(primary, filled):
    walk = _walk(primary(axes=(1000, 1000)) + bytes(1_000_000))
    assert _kinds(walk) == [FindingKind.DATA_CUT_SHORT]
    assert _details(walk) == "bytes missing from the primary HDU: 1,000,000"


def test_a_file_that_ends_with_its_header_lacks_all_its_data(primary):
    assert _details(_walk(primary(axes=(10, 10)))).endswith(": 200")


def test_missing_data_of_an_extension_are_counted(primary, extension):
    assert (
        _details(_walk(primary() + extension(axes=(10, 10)) + bytes(199)))
        == "bytes missing from extension 1: 1"
    )


def test_missing_filling_alone_is_no_finding(primary):
    assert _kinds(_walk(primary(axes=(10, 10)) + bytes(200))) == []
    assert _kinds(_walk(primary().rstrip())) == []
    assert _kinds(_walk(primary().rstrip() + b" " * 3)) == []


def test_a_header_without_filling_still_lacks_its_data(primary):
    assert _kinds(_walk(primary(axes=(10, 10)).rstrip())) == [FindingKind.DATA_CUT_SHORT]


@pytest.mark.parametrize("cut", [9, 80, 250, 2000])
def test_a_header_that_breaks_off_is_unreadable(primary, cut):
    walk = _walk(primary(("OBJECT", "M 31"), axes=(10, 10))[:80] + b"COMMENT ".ljust(4000)[: cut - 9])
    assert _kinds(walk) == [FindingKind.HEADER_UNREADABLE]
    assert walk.headers == []


def test_an_extension_s_header_that_breaks_off_is_unreadable_and_the_first_is_kept(primary, extension):
    walk = _walk(primary() + extension()[:160])
    assert _details(walk) == "the header of extension 1 ends before its END"
    assert len(walk.headers) == 1


def test_a_header_of_impossible_values_is_unreadable_but_kept_for_its_facts(header):
    walk = _walk(header(("SIMPLE", True), ("BITPIX", 16), ("NAXIS", -3), ("OBJECT", "M 31")) + bytes(9000))
    assert "NAXIS is -3" in _details(walk)
    assert len(walk.headers) == 1
    assert walk.ended


def test_a_header_that_never_ends_is_given_up_and_not_held(primary):
    walk = HduWalk()
    walk.feed(primary()[:80].ljust(BLOCK))
    for _ in range(10_000):
        walk.feed(b"COMMENT".ljust(BLOCK))
        assert len(walk._header) <= MOST_HEADER_BYTES
    assert walk.ended
    assert _details(walk) == "the header of the primary HDU does not end"


@pytest.mark.parametrize(
    "tail", [b"x", b"special records".ljust(BLOCK), bytes(BLOCK * 3), b"SIMPLE  =" * 1000]
)
def test_what_follows_the_last_hdu_is_no_finding(primary, tail):
    assert _kinds(_walk(primary() + tail)) == []


def test_a_file_that_says_it_is_not_standard_is_not_judged(header):
    walk = _walk(header(("SIMPLE", False), ("BITPIX", 16), ("NAXIS", 1), ("NAXIS1", 100)) + bytes(7))
    assert (_kinds(walk), len(walk.headers)) == ([], 1)


def test_only_the_first_headers_are_kept(primary, extension):
    walk = _walk(primary() + extension() * 100)
    assert len(walk.headers) == MOST_HEADERS
    assert _kinds(walk) == []


def test_the_headers_that_are_kept_are_bounded_in_size(primary, extension):
    long = primary(*[b"COMMENT"] * 36 * 1000)
    walk = _walk(long + extension(*[b"COMMENT"] * 36 * 1000) + extension())
    assert [len(header) for header, _ in walk.headers] == [len(long), BLOCK]


def test_skipped_data_are_not_missed(primary, extension):
    walk = HduWalk()
    walk.feed(primary(("DATASUM", "1"), axes=(1000, 1000)))
    assert walk.data_left == 2_001_600
    walk.skip_data()
    walk.feed(extension())
    walk.finish()
    assert (_kinds(walk), len(walk.headers), walk.data_left) == ([], 2, 0)


def test_a_datasum_that_does_not_hold_is_a_finding_in_any_hdu(primary, extension, filled):
    data = filled(b"\x00\x00\x00\x05")
    good = primary(("DATASUM", "5"), axes=(2,)) + data
    assert _kinds(_walk(good)) == []
    bad = good + extension(("DATASUM", "6"), axes=(2,)) + data + extension(("DATASUM", "x"), axes=(2,)) + data
    assert _kinds(_walk(bad)) == [FindingKind.DATASUM_WRONG]
    assert _details(_walk(bad)) == "in extension 1; in extension 2"


def test_a_datasum_of_an_hdu_without_data_is_judged_too(primary):
    assert _kinds(_walk(primary(("DATASUM", "0")))) == []
    assert _kinds(_walk(primary(("DATASUM", "7")))) == [FindingKind.DATASUM_WRONG]


def test_a_datasum_holds_where_only_the_filling_is_missing(primary, extension):
    assert _kinds(_walk(primary(("DATASUM", "5"), axes=(2,)) + b"\x00\x00\x00\x05")) == []
    spaces = (0x31313131 + 719 * 0x20202020) % (2**32 - 1)
    table = extension(("DATASUM", str(spaces)), kind="TABLE", axes=(4, 1), bitpix=8)
    assert _kinds(_walk(primary() + table + b"1111")) == []


def test_cut_data_are_one_finding_not_a_wrong_sum_as_well(primary):
    assert _kinds(_walk(primary(("DATASUM", "5"), axes=(200,)) + b"\x00")) == [FindingKind.DATA_CUT_SHORT]


def test_a_wrong_checksum_says_whether_the_data_are_cleared(primary, filled):
    data = filled(b"\x00\x00\x00\x05")
    edited = _walk(primary(("DATASUM", "5"), ("CHECKSUM", "0" * 16), axes=(2,)) + data)
    assert _kinds(edited) == [FindingKind.CHECKSUM_WRONG]
    assert "the header was edited" in _details(edited)
    alone = _walk(primary(("CHECKSUM", "0" * 16), axes=(2,)) + data)
    assert "no DATASUM" in _details(alone)


def test_many_details_of_a_kind_are_one_finding():
    notes = Notes()
    for number in range(1000):
        notes.add(FindingKind.DATASUM_WRONG, f"in extension {number}")
    (finding,) = notes.findings()
    assert finding.detail == "in extension 0; in extension 1; in extension 2; and 997 more"
