from __future__ import annotations

import gzip
import io
import os
import subprocess
import sys
import tempfile
import tracemalloc

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from manifests.findings import FindingKind
from manifests.frames.inspection import (
    Inspection,
    Inspector,
    has_its_length,
    inspect_blocks,
    look_at_header,
)
from manifests.frames.keywords import KEYWORDS
from tests.support.leases import leased

CARDS = (("OBJECT", "M 31"), ("DATE-OBS", "2026-03-14T21:05:33"), ("EXPTIME", 300.0), ("FILTER", "L"))
NOT_FITS = Inspection(is_fits=False)


@pytest.fixture(scope="session")
def light(primary, filled):
    """A small light, whole."""
    return primary(*CARDS, axes=(100, 80)) + filled(bytes(range(250)) * 64)


def _kinds(inspection):
    return [finding.kind for finding in inspection.findings]


def test_a_frame_is_recognised_by_its_content_and_read(light):
    inspection = inspect_blocks([light])
    assert inspection.is_fits
    assert inspection.findings == ()
    assert (inspection.frame.object_name, inspection.frame.width_px) == ("M 31", 100)


def test_a_packed_frame_is_the_same_frame(light):
    assert inspect_blocks([gzip.compress(light)]) == inspect_blocks([light])


def test_a_tile_compressed_frame_has_the_facts_of_its_extension(primary, extension, filled):
    tiles = (("ZIMAGE", True), ("ZNAXIS", 2), ("ZNAXIS1", 100), ("ZNAXIS2", 80))
    table = extension(*tiles, *CARDS, kind="BINTABLE", axes=(8, 80), bitpix=8)
    frame = inspect_blocks([primary() + table + filled(bytes(640))]).frame
    assert (frame.object_name, frame.width_px, frame.height_px) == ("M 31", 100, 80)


@pytest.mark.parametrize(
    "content", [b"", b"S", b"SIMPLE", b"simple  =", b"\x1f", b"\x1f\x8b", b"\x1f\x8b\x08garbage", b"log"]
)
def test_other_content_is_no_frame_and_no_finding_unless_a_frame_was_expected(content):
    assert inspect_blocks([content]) == NOT_FITS
    expected = inspect_blocks([content], expect_fits=True)
    assert not expected.is_fits
    packed = content.startswith(b"\x1f\x8b")
    assert _kinds(expected) == [FindingKind.COMPRESSION_DAMAGED if packed else FindingKind.HEADER_UNREADABLE]


def test_a_packed_log_is_no_frame_and_is_not_unpacked_to_its_end():
    packed = gzip.compress(b"21:05 guiding\n" * 1000)
    assert inspect_blocks([packed[:-8] + b"garbage!"]) == NOT_FITS
    expected = inspect_blocks([packed], expect_fits=True)
    assert _kinds(expected) == [FindingKind.HEADER_UNREADABLE]


def test_a_frame_cut_short_keeps_its_facts(light):
    inspection = inspect_blocks([light[:9000]])
    assert _kinds(inspection) == [FindingKind.DATA_CUT_SHORT]
    assert inspection.frame.object_name == "M 31"


def test_a_frame_with_an_impossible_header_keeps_the_facts_that_can_be_read(header):
    cards = (("SIMPLE", True), ("BITPIX", 12), ("NAXIS", 2), *CARDS)
    inspection = inspect_blocks([header(*cards)])
    assert _kinds(inspection) == [FindingKind.HEADER_UNREADABLE]
    assert inspection.frame.object_name == "M 31"


def test_a_header_without_end_is_unreadable_and_no_frame(light):
    inspection = inspect_blocks([light[:500]])
    assert (inspection.is_fits, inspection.frame, _kinds(inspection)) == (
        True,
        None,
        [FindingKind.HEADER_UNREADABLE],
    )


@pytest.mark.parametrize("cut", [4, 200, 2000])
def test_a_damaged_packing_is_one_finding_whatever_it_cuts(light, cut):
    inspection = inspect_blocks([gzip.compress(light, compresslevel=0)[:-cut]])
    assert _kinds(inspection) == [FindingKind.COMPRESSION_DAMAGED]
    assert inspection.frame.object_name == "M 31"


def test_a_flipped_byte_in_a_packed_frame_is_found(light):
    packed = bytearray(gzip.compress(light, compresslevel=0))
    packed[-1000] ^= 4
    assert _kinds(inspect_blocks([bytes(packed)])) == [FindingKind.COMPRESSION_DAMAGED]


def test_a_date_alone_is_marked(primary):
    assert inspect_blocks([primary(("DATE-OBS", "2026-03-14"))]).date_only
    assert not inspect_blocks([primary(("DATE-OBS", "2026-03-14T00:00:00"))]).date_only


def test_a_user_s_keywords_are_used(primary):
    table = KEYWORDS.extended({"object_name": ["MY-OBJ"]})
    assert inspect_blocks([primary(("MY-OBJ", "M 31"))], table=table).frame.object_name == "M 31"


def test_extensions_are_not_read_once_the_frame_is_known(primary, extension, filled):
    first = primary(*CARDS, axes=(2,)) + filled(bytes(4))
    image = primary(*CARDS, axes=(2, 1)) + filled(bytes(4))
    rest = extension(("OBSERVER", "somebody"))
    assert inspect_blocks([image + rest]).frame.observer is None
    assert inspect_blocks([first + rest]).frame.observer == "somebody"


def _cut(data: bytes, edges: list[int]) -> list[bytes]:
    bounds = [0, *sorted(min(edge, len(data)) for edge in edges), len(data)]
    return [data[bounds[at] : bounds[at + 1]] for at in range(len(bounds) - 1)]


@pytest.fixture(scope="session")
def files(light, primary, extension, filled):
    """Files of every kind, whole and broken."""
    summed = primary(("DATASUM", "5"), ("CHECKSUM", "0" * 16), axes=(4,)) + filled(b"\0\0\0\5" * 2)
    several = (
        primary(*CARDS) + extension(("DATASUM", "4"), axes=(4,)) + filled(b"\0\0\0\4") + extension() + b"tail"
    )
    plain = [light, light[:9000], light[:500], summed, several, several[:6000], b"SIMPLE", b"log", b""]
    packed = [gzip.compress(file) for file in plain]
    flipped = [
        bytes([*packed[0][:place], packed[0][place] ^ 16, *packed[0][place + 1 :]]) for place in (50, 400, -5)
    ]
    return [*plain, *packed, packed[0][:-20], *flipped]


@given(st.data())
def test_blocks_cut_anywhere_give_the_same_inspection(files, data):
    file = data.draw(st.sampled_from(files))
    blocks = _cut(file, data.draw(st.lists(st.integers(0, len(file)), max_size=10)))
    as_views = [memoryview(bytearray(block)) for block in blocks]
    assert inspect_blocks(as_views) == inspect_blocks([file])


def test_one_byte_at_a_time_gives_the_same_inspection(files):
    for file in files:
        assert inspect_blocks(file[at : at + 1] for at in range(len(file))) == inspect_blocks([file])


@given(st.sampled_from([b"", b"SIMPLE  =", b"\x1f\x8b\x08\x00"]), st.binary(max_size=6000))
def test_no_bytes_raise(start, rest):
    for content in (start + rest, gzip.compress(start + rest)):
        inspect_blocks([content], expect_fits=True)


@given(st.data())
def test_no_damaged_frame_raises(files, data):
    file = bytearray(data.draw(st.sampled_from(files)))
    places = st.integers(0, max(0, min(len(file), 6000) - 1))
    for place, byte in data.draw(st.lists(st.tuples(places, st.integers(0, 255)), max_size=30)):
        file[place : place + 1] = bytes([byte])
    inspect_blocks([bytes(file)])


def test_a_log_costs_nothing_after_its_first_bytes():
    tracemalloc.start()
    try:
        inspector = Inspector()
        block = b"21:05:33 guiding " * 60_000
        inspector.feed(block)
        before = tracemalloc.get_traced_memory()[0]
        for _ in range(200):
            inspector.feed(block)
        assert tracemalloc.get_traced_memory()[0] - before < 10_000
    finally:
        tracemalloc.stop()


def test_memory_stays_flat_on_a_frame_of_two_gigabytes(primary):
    block = bytes(8 << 20)
    header = primary(*CARDS, ("DATASUM", "0"), axes=(32768, 32768))
    inspect_blocks([primary(("DATASUM", "0"))])  # loads what is loaded only once
    tracemalloc.start()
    try:
        inspection = inspect_blocks([header, *([block] * 256)])
        assert tracemalloc.get_traced_memory()[1] < 1 << 20
    finally:
        tracemalloc.stop()
    assert inspection.findings == ()


def test_memory_stays_flat_on_a_bomb(primary):
    packed = gzip.compress(primary(*CARDS, axes=(8_000, 4_000)) + bytes(64 << 20), 1)
    tracemalloc.start()
    try:
        inspection = inspect_blocks([packed])
        assert tracemalloc.get_traced_memory()[1] < 8 << 20
    finally:
        tracemalloc.stop()
    assert inspection.frame.object_name == "M 31"


def test_files_that_are_not_frames_load_neither_astropy_nor_numpy():
    program = (
        "import sys\n"
        "from manifests.frames.inspection import inspect_blocks\n"
        "from manifests.frames import nights\n"
        "inspect_blocks([b'a log'])\n"
        "assert not {'astropy', 'numpy', 'erfa'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True)


# ------------------------------------------------------------------ look_at_header


def test_a_look_at_the_header_gives_the_same_facts(tmp_path, files):
    for number, content in enumerate(files):
        path = tmp_path / f"{number}.fits"
        path.write_bytes(content)
        look, whole = look_at_header(path), inspect_blocks([content])
        assert (look.is_fits, look.frame, look.date_only) == (whole.is_fits, whole.frame, whole.date_only)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_look_at_a_pipe_that_nobody_writes_to_waits_for_nobody(tmp_path):
    os.mkfifo(tmp_path / "light.fits")
    with pytest.raises(OSError, match="not a regular file"):
        look_at_header(tmp_path / "light.fits")


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux has leases")
def test_a_look_at_a_file_that_another_program_keeps_for_itself_waits_for_nobody(tmp_path, light):
    path = tmp_path / "light.fits"
    path.write_bytes(light)
    with leased(path), pytest.raises(BlockingIOError):
        look_at_header(path)
    assert look_at_header(path).is_fits


def test_a_look_at_the_header_judges_no_data(tmp_path, light):
    path = tmp_path / "short.fits"
    path.write_bytes(light[:5000])
    assert look_at_header(path).findings == ()


def test_the_facts_of_a_header_whose_filling_is_not_written_yet_are_read(tmp_path, light, primary, extension):
    """A camera's program that writes a frame stands there between its header and its data."""
    path = tmp_path / "light.fits"
    in_extension = primary() + extension(*CARDS, axes=(100, 80))
    for content in (light[: light.index(b"END     ") + 80], in_extension[:-1]):
        path.write_bytes(content)
        look = look_at_header(path)
        assert look.frame == inspect_blocks([content]).frame
        assert (look.frame.object_name, look.frame.width_px) == ("M 31", 100)


def test_a_look_at_a_header_that_promises_more_than_any_file_system_holds(tmp_path, primary):
    path = tmp_path / "huge.fits"
    path.write_bytes(primary(("OBJECT", "M 31"), axes=(2**30, 2**28)) + bytes(100))
    assert look_at_header(path).frame.object_name == "M 31"


def test_a_look_finds_the_facts_behind_the_data_of_the_first_hdu(tmp_path, primary, extension, filled):
    content = primary(axes=(100, 100)) + filled(bytes(20_000)) + extension(*CARDS)
    for name, stored in (("plain.fits", content), ("packed.fits", gzip.compress(content))):
        (tmp_path / name).write_bytes(stored)
        assert look_at_header(tmp_path / name).frame.object_name == "M 31"


def test_a_look_into_a_damaged_packing_keeps_what_came_before(tmp_path, primary, extension, filled):
    content = primary(("OBJECT", "M 31"), axes=(1000, 100)) + filled(bytes(200_000)) + extension(*CARDS)
    path = tmp_path / "damaged.fits.gz"
    path.write_bytes(gzip.compress(content, compresslevel=0)[:100_000])
    look = look_at_header(path)
    assert (look.frame.object_name, _kinds(look)) == ("M 31", [FindingKind.COMPRESSION_DAMAGED])


@pytest.mark.parametrize(
    "content", [b"\x1f\x8b", b"\x1f\x8b\x08\x00garbage and more", b"\x1f\x8bnot gzip at all"]
)
def test_a_look_at_what_only_begins_like_gzip_is_no_frame(tmp_path, content):
    path = tmp_path / "odd"
    path.write_bytes(content)
    assert look_at_header(path) == NOT_FITS


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_look_never_raises_for_any_content(tmp_path, files, data):
    file = bytearray(data.draw(st.sampled_from(files)))
    for place in data.draw(st.lists(st.integers(0, max(0, len(file) - 1)), max_size=10)):
        file[place : place + 1] = b"\x07"
    path = tmp_path / "mutated"
    path.write_bytes(file)
    look_at_header(path)


def test_a_look_at_a_file_that_is_not_there_is_an_os_error(tmp_path):
    with pytest.raises(FileNotFoundError):
        look_at_header(tmp_path / "gone.fits")


def test_a_packed_frame_is_fits_though_what_follows_its_first_line_is_damaged(tmp_path):
    path = tmp_path / "short.fits.gz"
    path.write_bytes(gzip.compress(b"SIMPLE  =                    T".ljust(80)) + b"\x005")
    looked = look_at_header(path)
    assert looked.is_fits
    assert [finding.kind for finding in looked.findings] == [FindingKind.COMPRESSION_DAMAGED]


# Whether a file has its length


def length_is_right(content):
    with tempfile.TemporaryFile() as file:
        file.write(content)
        file.seek(0)
        return has_its_length(file)


def two_hdus():
    hdus = fits.HDUList([fits.PrimaryHDU(np.arange(3000, dtype=np.int16)), fits.ImageHDU(np.ones((40, 50)))])
    made = io.BytesIO()
    hdus.writeto(made)
    return made.getvalue()


def test_a_file_has_its_length_when_every_announced_byte_is_there():
    content = two_hdus()
    assert length_is_right(content)
    data_bytes = 40 * 50 * 8
    filling = -data_bytes % 2880
    assert length_is_right(content[: len(content) - filling])  # old programs left out the filling
    assert not length_is_right(content[: len(content) - filling - 1])
    assert not length_is_right(content[: 2880 + 1000])
    assert not length_is_right(content[:1000])


@given(st.integers(0, 2880 * 12))
def test_a_frame_cut_anywhere_in_its_data_or_header_has_not_its_length(count):
    made = io.BytesIO()
    fits.PrimaryHDU(np.ones(14_400, dtype=np.int16)).writeto(made)  # ten whole blocks: no filling
    content = made.getvalue()
    assert length_is_right(content[:count]) == (count >= len(content))


def test_what_is_packed_passes_and_what_is_no_fits_does_not():
    assert length_is_right(gzip.compress(two_hdus())[:-50])
    assert not length_is_right(b"")
    assert not length_is_right(bytes(5760))
