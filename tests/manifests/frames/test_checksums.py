from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.checksums import MODULUS, OnesComplementSum, datasum_holds


def _sum(*blocks: bytes) -> int:
    total = OnesComplementSum()
    for block in blocks:
        total.update(block)
    return total.value()


def test_words_are_big_endian_and_carries_come_round():
    assert _sum(b"\x00\x00\x00\x01" * 3) == 3
    assert _sum(b"\xff\xff\xff\xff" + b"\x00\x00\x00\x05") == 5
    assert _sum(b"\x80\x00\x00\x00" * 2) == 1


def test_nothing_sums_to_nothing():
    assert _sum() == 0


@given(st.binary(max_size=400), st.lists(st.integers(0, 400), max_size=8))
def test_bytes_cut_anywhere_give_the_same_sum(data, cuts):
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    blocks = [data[start:end] for start, end in pairwise(edges)]
    padded = data + b"\0" * (-len(data) % 4)
    words = [int.from_bytes(padded[at : at + 4], "big") for at in range(0, len(padded), 4)]
    assert _sum(*blocks) == sum(words) % MODULUS


def test_a_datasum_that_is_not_a_number_does_not_hold():
    assert datasum_holds("3949456131", 3949456131)
    assert datasum_holds("0", 0)
    assert not datasum_holds("3949456130", 3949456131)
    for garbage in ("", "-5", "1e3", "٣", "9" * 5000):
        assert not datasum_holds(garbage, 0)
