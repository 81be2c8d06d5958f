"""A walk through a FITS file's HDUs as its bytes stream by: headers kept, data counted and summed."""

from __future__ import annotations

from manifests.findings import Finding, FindingKind
from manifests.frames.checksums import MODULUS, OnesComplementSum, datasum_holds
from manifests.frames.hdus import BLOCK, Hdu, HeaderUnreadable, ends_header, read_hdu

Block = bytes | bytearray | memoryview

# Enough for any instrument's headers; a file with more is not described by them, and memory stays flat.
MOST_HEADERS = 8
MOST_HEADER_BYTES = 1456 * BLOCK  # 4.2 MB

_MOST_DETAILS = 3


class Notes:
    """Collects what is found, one finding of a kind whatever the number of HDUs."""

    def __init__(self) -> None:
        self._details: dict[FindingKind, list[str]] = {}

    def add(self, kind: FindingKind, detail: str) -> None:
        """Note one more detail of a kind."""
        self._details.setdefault(kind, []).append(detail)

    def findings(self) -> tuple[Finding, ...]:
        """Return one finding for each kind, with its first few details."""
        return tuple(Finding(kind, _joined(details)) for kind, details in self._details.items())


class HduWalk:
    """Walks a FITS file's bytes, passed in order and in any pieces; `ended` when the rest does not matter.

    `headers` are the first few headers, each with the size of the image it describes, if it does.
    """

    def __init__(self) -> None:
        self.headers: list[tuple[bytes, tuple[int, int] | None]] = []
        self.notes = Notes()
        self.ended = False
        self._number = 0
        self._header = bytearray()
        self._hdu: Hdu | None = None
        self._data_left = 0
        self._data_sum: OnesComplementSum | None = None

    @property
    def data_left(self) -> int:
        """How many bytes follow until the next header, padding included."""
        return self._data_left

    def feed(self, block: Block) -> None:
        """Walk through the next bytes."""
        view = memoryview(block)
        while len(view) and not self.ended:
            view = self._take_header(view) if self._hdu is None else self._take_data(view)

    def skip_data(self) -> None:
        """Go on to the next header: the caller has skipped the rest of the data, which is not checked."""
        self.pass_over(self._data_left)

    def pass_over(self, size_bytes: int) -> None:
        """Count so many of the data's bytes as there: the caller has skipped them."""
        if self._data_left:
            self._data_left -= size_bytes
            if not self._data_left:
                self._next_hdu()

    def finish(self) -> None:
        """Note that the file ends here, and what is missing from it."""
        if self._hdu is None and self._header and not self.ended:
            self._finish_header()
        if self._hdu is not None and not self.ended:
            self._finish_data(self._hdu)
        self.ended = True

    def _name(self) -> str:
        return f"extension {self._number}" if self._number else "the primary HDU"

    def _take_header(self, view: memoryview) -> memoryview:
        wanted = BLOCK - len(self._header) % BLOCK
        self._header += view[:wanted]
        if len(self._header) % BLOCK == 0:
            self._judge_header_block()
        return view[wanted:]

    def _judge_header_block(self) -> None:
        if self._number and not self._header.startswith(b"XTENSION"):
            self.ended = True  # special records or filling (section 3.5): they belong to no HDU
        elif ends_header(self._header[-BLOCK:]):
            self._begin_data()
        elif len(self._header) >= MOST_HEADER_BYTES:
            self._give_up("does not end")

    def _give_up(self, reason: str) -> None:
        self.notes.add(FindingKind.HEADER_UNREADABLE, f"the header of {self._name()} {reason}")
        self.ended = True

    def _begin_data(self) -> None:
        header = bytes(self._header)
        try:
            hdu = read_hdu(header)
        except HeaderUnreadable as error:
            self._keep(header, None)
            self._give_up(f"cannot be followed: {error}")
            return
        self._keep(header, hdu.image_px)
        self._hdu, self._data_left, self.ended = hdu, hdu.padded_bytes, not hdu.standard
        self._data_sum = OnesComplementSum() if hdu.datasum or hdu.checksum else None
        if not self._data_left:
            self._end_data(hdu)

    def _keep(self, header: bytes, image_px: tuple[int, int] | None) -> None:
        kept = sum(len(earlier) for earlier, _ in self.headers)
        if len(self.headers) < MOST_HEADERS and kept + len(header) <= MOST_HEADER_BYTES:
            self.headers.append((header, image_px))

    def _take_data(self, view: memoryview) -> memoryview:
        part = view[: self._data_left]
        if self._data_sum is not None:
            self._data_sum.update(part)
        self._data_left -= len(part)
        if not self._data_left and self._hdu is not None:
            self._end_data(self._hdu)
        return view[len(part) :]

    def _end_data(self, hdu: Hdu) -> None:
        if self._data_sum is not None:
            self._judge_sums(hdu, self._data_sum.value())
        self._next_hdu()

    def _next_hdu(self) -> None:
        self._number += 1
        self._hdu, self._data_left, self._data_sum = None, 0, None
        self._header.clear()

    def _judge_sums(self, hdu: Hdu, data_total: int) -> None:
        """Compare the sums with DATASUM and CHECKSUM (section 4.4.2.7): a whole HDU sums to minus zero."""
        if hdu.datasum and not datasum_holds(hdu.datasum, data_total):
            self.notes.add(FindingKind.DATASUM_WRONG, f"in {self._name()}")
            return
        header_sum = OnesComplementSum()
        header_sum.update(self._header)
        if hdu.checksum and (header_sum.value() + data_total) % MODULUS:
            where = "the header was edited" if hdu.datasum else "header or data: there is no DATASUM to tell"
            self.notes.add(FindingKind.CHECKSUM_WRONG, f"in {self._name()} ({where})")

    def _finish_header(self) -> None:
        if self._number and not self._header.startswith(b"XTENSION"):
            return
        self._header += b" " * (-len(self._header) % BLOCK)  # old programs left out the filling
        if ends_header(self._header[-BLOCK:]):
            self._begin_data()
        else:
            self._give_up("ends before its END")

    def _finish_data(self, hdu: Hdu) -> None:
        missing = self._data_left - (hdu.padded_bytes - hdu.data_bytes)
        if missing > 0:
            self.notes.add(FindingKind.DATA_CUT_SHORT, f"bytes missing from {self._name()}: {missing:,}")
            return
        # Only filling is missing, which old programs left out: spaces in an ASCII table, else zeros.
        self._take_data(memoryview((b" " if hdu.kind == "TABLE" else b"\0") * self._data_left))


def _joined(details: list[str]) -> str:
    more = len(details) - _MOST_DETAILS
    return "; ".join(details[:_MOST_DETAILS]) + (f"; and {more} more" if more > 0 else "")
