import io
import tracemalloc
from collections.abc import Iterator

import pytest

from manifests.bags.tag_lines import LONGEST_LINE, Line, is_encoding, tag_lines, without_mark


def lines(content: bytes, encoding: str = "UTF-8") -> list[Line]:
    return list(without_mark(tag_lines(io.BufferedReader(io.BytesIO(content)), encoding)))


def test_every_kind_of_line_end_counts_in_any_mixture() -> None:
    assert [line.text for line in lines(b"a\nb\r\nc\rd")] == ["a", "b", "c", "d"]


def test_a_separator_that_python_would_split_at_does_not_end_a_line() -> None:
    text = "a\u2028b\x85c\x0bd"
    assert [line.text for line in lines(text.encode())] == [text]


def test_a_byte_order_mark_is_no_part_of_the_first_line() -> None:
    assert lines(b"\xef\xbb\xbfa\n")[0].text == "a"


def test_other_encodings_are_read() -> None:
    assert lines("é\nx\n".encode("utf-16"), "UTF-16") == [Line(1, "é"), Line(2, "x")]
    assert lines(b"\xe9\n", "ISO-8859-1") == [Line(1, "é")]


def test_bytes_of_another_encoding_spoil_their_own_line_only() -> None:
    bad, good = lines(b"\xe9\nx\n")
    assert bad.problem
    assert good == Line(2, "x")


def test_text_that_cannot_be_decoded_at_all_is_said_and_ends_the_reading() -> None:
    found = lines("a\n".encode("utf-16-le") + b"\x00\xd8", "UTF-16-LE")
    assert found[0] == Line(1, "a")
    assert "nothing from here on was read" in found[1].problem


class _Endless(io.RawIOBase):
    """128 MiB without a line end, and then one ordinary line."""

    def __init__(self) -> None:
        self._left = 128 << 20

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        if self._left <= 0:
            end, self._left = (b"\nx\n", -1) if self._left == 0 else (b"", -1)
            buffer[: len(end)] = end
            return len(end)
        count = min(len(buffer), self._left)
        buffer[:count] = b"a" * count
        self._left -= count
        return count


def test_an_absurdly_long_line_is_one_fault_and_does_not_fill_memory() -> None:
    tracemalloc.start()
    try:
        long, after = tag_lines(io.BufferedReader(_Endless(), 1 << 20), "UTF-8")
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert f"longer than {LONGEST_LINE}" in long.problem
    assert after == Line(2, "x")
    assert peak < 16 << 20


def test_a_long_line_that_still_fits_is_read() -> None:
    text = "a" * (LONGEST_LINE - 1)
    assert lines(text.encode() + b"\n") == [Line(1, text)]


@pytest.mark.parametrize("name", ["UTF-8", "utf8", "ISO-8859-1", "UTF-16", "Shift_JIS"])
def test_a_character_encoding_is_known(name: str) -> None:
    assert is_encoding(name)


@pytest.mark.parametrize(
    "name", ["", "KLINGON", "rot13", "base64", "unicode_escape", "undefined", "idna", "a\0b"]
)
def test_what_is_no_encoding_of_files_is_refused(name: str) -> None:
    assert not is_encoding(name)


def test_the_file_is_closed_when_reading_ends_early() -> None:
    file = io.BufferedReader(io.BytesIO(b"a\nb\n"))
    reading: Iterator[Line] = tag_lines(file, "UTF-8")
    next(reading)
    reading.close()  # type: ignore[attr-defined]
    assert file.closed
