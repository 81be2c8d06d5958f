"""Work cut into batches, by number and by size."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

Item = TypeVar("Item")


def batches(
    items: Iterable[Item], size_bytes_of: Callable[[Item], int], *, most_items: int, most_bytes: int
) -> Iterator[list[Item]]:
    """Yield the items in order, as many at a time as fit; one that is larger than `most_bytes` by itself."""
    batch: list[Item] = []
    size_bytes = 0
    for item in items:
        if batch and (len(batch) == most_items or size_bytes + size_bytes_of(item) > most_bytes):
            yield batch
            batch, size_bytes = [], 0
        batch.append(item)
        size_bytes += size_bytes_of(item)
    if batch:
        yield batch
