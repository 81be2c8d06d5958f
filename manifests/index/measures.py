"""Measures of frames, kept in the index by the digest of the content that was measured."""

from __future__ import annotations

from collections.abc import Mapping

from manifests.frames.measures.frame_measures import METHOD, FrameMeasures
from manifests.index.opening import Index
from manifests.index.schema import MEASURES, insertion

_KEEP = insertion("measures", ("sha256", "method", *MEASURES)).replace("INSERT", "INSERT OR REPLACE", 1)


def keep_measures(index: Index, measured: Mapping[str, FrameMeasures]) -> None:
    """Put measures, by the SHA-256 of the frames' content, into an index open for writing.

    Raises IndexFault.
    """
    with index.writing() as connection:
        connection.executemany(
            _KEEP,
            (
                (bytes.fromhex(sha256), METHOD, *(getattr(measures, name) for name in MEASURES))
                for sha256, measures in measured.items()
            ),
        )
