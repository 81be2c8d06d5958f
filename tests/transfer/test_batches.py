"""Batches hold everything once, in order, and no more than they may."""

import itertools

from hypothesis import given
from hypothesis import strategies as st

from transfer.batches import batches


@given(st.lists(st.integers(0, 30)), st.integers(1, 5), st.integers(0, 40))
def test_all_is_there_once_in_order_and_within_the_bounds(sizes, most_items, most_bytes):
    found = list(batches(sizes, lambda size: size, most_items=most_items, most_bytes=most_bytes))
    assert [size for batch in found for size in batch] == sizes
    assert all(1 <= len(batch) <= most_items for batch in found)
    assert all(sum(batch) <= most_bytes or len(batch) == 1 for batch in found)
    for before, after in itertools.pairwise(found):
        assert len(before) == most_items or sum(before) + after[0] > most_bytes
