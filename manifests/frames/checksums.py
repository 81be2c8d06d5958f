"""The 32-bit ones'-complement sum of FITS (Standard 4.0, appendix J), over bytes as they stream by."""

from __future__ import annotations

Block = bytes | bytearray | memoryview

# Ones'-complement arithmetic counts modulo 2³² − 1; both of its zeros are 0 here.
MODULUS = 2**32 - 1


class OnesComplementSum:
    """Sums the bytes of a data unit or a whole HDU, passed in pieces of any size."""

    def __init__(self) -> None:
        self._total = 0
        self._rest = b""

    def update(self, block: Block) -> None:
        """Add the next bytes."""
        view = memoryview(block)
        if self._rest:
            missing = 4 - len(self._rest)
            self._rest += bytes(view[:missing])
            view = view[missing:]
            if len(self._rest) < 4:
                return
            self._total += int.from_bytes(self._rest, "big")
        whole = len(view) // 4 * 4
        self._total = (self._total + _sum_of_words(view[:whole])) % MODULUS
        self._rest = bytes(view[whole:])

    def value(self) -> int:
        """Return the sum of all bytes added so far, modulo 2³² − 1; a last partial word is filled with 0."""
        return (self._total + int.from_bytes(self._rest.ljust(4, b"\0"), "big")) % MODULUS


def datasum_holds(datasum: str, total: int) -> bool:
    """Return whether a DATASUM card's value is the sum of its data unit."""
    return datasum.isascii() and datasum.isdigit() and len(datasum) <= 10 and int(datasum) % MODULUS == total


def _sum_of_words(view: memoryview) -> int:
    import numpy as np

    return int(np.frombuffer(view, dtype=">u4").sum(dtype=np.uint64))
