"""A look at a file's bytes as they stream by: whether it is a frame, which, and what is wrong with it."""

from __future__ import annotations

import errno
import gzip
import io
import os
import pathlib
import stat
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import BinaryIO

from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame
from manifests.frames.hdu_walk import MOST_HEADERS, HduWalk
from manifests.frames.hdus import BLOCK
from manifests.frames.headers import FrameReader
from manifests.frames.keywords import KEYWORDS, KeywordTable
from manifests.frames.unpacking import GZIP_MAGIC, Gunzip
from manifests.frames.usable import usable_frame

Block = bytes | bytearray | memoryview

_MAGIC = b"SIMPLE  ="


@dataclass(frozen=True, slots=True)
class Inspection:
    """What a file's content says.

    `is_fits` where it begins as FITS, packed by gzip or not; only then is there anything else, but
    for what a caller expected. `frame` is `None` where no header could be read. With `date_only` the
    header gives a date and no time of day, and the frame's `begun_utc` is 0h of that date. The other
    three are as in `HeaderFacts`.
    """

    is_fits: bool
    frame: Frame | None = None
    findings: tuple[Finding, ...] = ()
    date_only: bool = False
    begun_local: datetime | None = None
    written_utc: datetime | None = None
    date_remark: str = ""


class Inspector:
    """Inspects a file's bytes, passed in order and in pieces of any size; never raises for any content.

    A file that is not FITS is recognised by its first bytes and costs nothing from there on. Memory
    stays flat: headers up to some megabytes are kept, data are only counted and summed. With
    `expect_fits`, for a file whose name promises a frame, other content is a finding.
    """

    def __init__(self, *, expect_fits: bool = False, table: KeywordTable = KEYWORDS) -> None:
        self._expect_fits = expect_fits
        self._table = table
        self._start = b""
        self._fits = _Fits()
        self._gunzip: Gunzip | None = None

    def feed(self, block: Block) -> None:
        """Inspect the next bytes."""
        if self._gunzip is not None:
            self._gunzip.feed(block)
        elif self._fits.begun:
            self._fits.feed(block)
        elif len(block):
            self._begin(self._start + bytes(block[:2]), memoryview(block)[2:])

    def _begin(self, start: bytes, rest: memoryview) -> None:
        """Choose by the first two bytes how to read the others."""
        if len(start) < len(GZIP_MAGIC):
            self._start = start
            return
        if start.startswith(GZIP_MAGIC):
            self._gunzip = Gunzip(self._fits.feed)
        take = self._gunzip.feed if self._gunzip else self._fits.feed
        take(start)
        take(rest)

    def finish(self) -> Inspection:
        """Return what the bytes say, after the last of them."""
        if self._gunzip is not None:
            self._gunzip.finish()
        damage = self._gunzip.damage if self._gunzip else ""
        if self._fits.walk is None:
            return Inspection(is_fits=False, findings=_unexpected(damage) if self._expect_fits else ())
        return _inspection_of(self._fits.walk, damage, self._table)


class _Fits:
    """Receives bytes that may be FITS: `begun` once there are any, `walk` once they are known to be FITS."""

    def __init__(self) -> None:
        self.walk: HduWalk | None = None
        self.begun = False
        self._start: bytes | None = b""

    def feed(self, block: Block) -> bool:
        """Receive the next bytes; return whether more are wanted."""
        self.begun = True
        if self.walk is not None:
            self.walk.feed(block)
        elif self._start is not None:
            self._recognise(self._start, memoryview(block))
        return not self.walk.ended if self.walk else self._start is not None

    def _recognise(self, start: bytes, view: memoryview) -> None:
        missing = len(_MAGIC) - len(start)
        self._start = start = start + bytes(view[:missing])
        if not _MAGIC.startswith(start):
            self._start = None
        elif start == _MAGIC:
            self.walk = HduWalk()
            self.walk.feed(start)
            self.walk.feed(view[missing:])


def inspect_blocks(
    blocks: Iterable[Block], *, expect_fits: bool = False, table: KeywordTable = KEYWORDS
) -> Inspection:
    """Inspect a whole file given as its blocks, in order."""
    inspector = Inspector(expect_fits=expect_fits, table=table)
    for block in blocks:
        inspector.feed(block)
    return inspector.finish()


def _without_waiting(path: str) -> int:
    """Open a regular file; a pipe without a writer, or a file under a lease, would hold the caller up."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    descriptor = os.open(path, flags)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(errno.EINVAL, "not a regular file", path)
    return descriptor


def look_at_header(
    path: pathlib.Path, table: KeywordTable = KEYWORDS, open_file: Callable[[str], int] = _without_waiting
) -> Inspection:
    """Read a frame's facts from no more of a file than its headers; its data are not judged.

    `open_file` gives a descriptor of the file. Raises OSError where the file cannot be read, and nothing
    else. What is no regular file, or is another program's alone for now, is not waited for.
    """
    with os.fdopen(open_file(os.fspath(path)), "rb") as file:
        return look_at_open_file(file, table)


def look_at_open_file(file: BinaryIO, table: KeywordTable = KEYWORDS) -> Inspection:
    """Read a frame's facts from an open file, which is at its start. Raises OSError."""
    packed = file.read(len(GZIP_MAGIC)) == GZIP_MAGIC
    file.seek(0)
    if not packed:
        return _look(file, table)
    with gzip.GzipFile(fileobj=file, mode="rb") as unpacked:
        return _look(unpacked, table)


def has_its_length(file: BinaryIO) -> bool:
    """Return whether a file, open at its start, has every byte that its FITS headers announce.

    Its data are passed over, not read. What is packed announces nothing, and passes; what does not begin as
    FITS, or has a header that cannot be followed, does not. Raises OSError.
    """
    start = file.read(len(_MAGIC))
    if start != _MAGIC:
        return start.startswith(GZIP_MAGIC)
    walk, size_bytes = HduWalk(), os.fstat(file.fileno()).st_size
    block = start + file.read(BLOCK - len(start))
    while block and not walk.ended:
        walk.feed(block)
        there = min(walk.data_left, size_bytes - file.tell())
        walk.pass_over(there)
        file.seek(there, io.SEEK_CUR)
        block = file.read(BLOCK)
    walk.finish()
    return not {FindingKind.DATA_CUT_SHORT, FindingKind.HEADER_UNREADABLE} & {
        found.kind for found in walk.notes.findings()
    }


def _unexpected(damage: str) -> tuple[Finding, ...]:
    if damage:
        return (Finding(FindingKind.COMPRESSION_DAMAGED, damage),)
    return (Finding(FindingKind.HEADER_UNREADABLE, "the content does not begin as FITS"),)


def _inspection_of(walk: HduWalk, damage: str, table: KeywordTable) -> Inspection:
    """Return what a walk to the end of the file has found."""
    if damage:
        # What else is missing is missing because of this: one cause, one finding.
        walk.notes.add(FindingKind.COMPRESSION_DAMAGED, damage)
    else:
        walk.finish()
    reader = FrameReader(table)
    for number, (header, image_px) in enumerate(walk.headers):
        if number and reader.settled:
            break
        reader.add(header, image_px)
    return _inspection(reader, walk)


def _inspection(reader: FrameReader, walk: HduWalk) -> Inspection:
    findings = walk.notes.findings()
    if not walk.headers:
        return Inspection(is_fits=True, findings=findings)
    facts = reader.facts()
    frame, unusable = usable_frame(facts.frame)
    return Inspection(
        is_fits=True,
        frame=frame,
        findings=(*findings, *unusable),
        date_only=facts.date_only,
        begun_local=facts.begun_local,
        written_utc=facts.written_utc,
        date_remark=facts.date_remark,
    )


def _look(file: BinaryIO | gzip.GzipFile, table: KeywordTable) -> Inspection:
    walk, reader, is_fits = HduWalk(), FrameReader(table), False
    try:
        start = file.read(len(_MAGIC))  # no more, for what comes next may be damaged
        is_fits = start == _MAGIC
        if is_fits:
            _walk_headers(file, start + file.read(BLOCK - len(start)), walk, reader)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        walk.notes.add(FindingKind.COMPRESSION_DAMAGED, str(error))
    return _inspection(reader, walk) if is_fits else Inspection(is_fits=False)


def _walk_headers(file: BinaryIO | gzip.GzipFile, block: bytes, walk: HduWalk, reader: FrameReader) -> None:
    """Go from header to header, over the data, until the frame's facts are known."""
    read = 0
    while block and not walk.ended:
        walk.feed(block)
        if len(walk.headers) > read:
            reader.add(*walk.headers[read])
            read += 1
            if reader.settled or read == MOST_HEADERS:
                return
        _pass_over(file, walk.data_left)
        walk.skip_data()
        block = file.read(BLOCK)
    walk.finish()
    for header in walk.headers[read:]:  # the last one, where the file ends within its filling
        reader.add(*header)


def _pass_over(file: BinaryIO | gzip.GzipFile, size: int) -> None:
    if isinstance(file, gzip.GzipFile):
        file.seek(size, io.SEEK_CUR)
    else:
        # Not past the end: a file system may refuse a position that no file of its kind can have.
        file.seek(min(file.tell() + size, os.fstat(file.fileno()).st_size))
