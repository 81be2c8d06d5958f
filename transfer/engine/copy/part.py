"""The one file that a lane is writing: begun without a name of its own, ended whole or taken off again."""

from __future__ import annotations

import errno
import os
from concurrent.futures import Future

from manifests.bags.builder import Content
from transfer.engine.copy.batch import Receiver, Written
from transfer.engine.copy.source import SourceRead
from transfer.engine.copy.task import Task
from transfer.engine.medium import drive_has_left
from transfer.engine.medium.base import write_all


class Part:
    """Writes one file after the other for one receiver. `task` is what the present one is for.

    Its methods raise OSError.
    """

    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver
        self._folder = receiver.folder
        self.task: Task | None = None
        self.descriptor = -1
        self._path = ""
        self._size = 0

    def begin(self, task: Task) -> None:
        """Begin a file."""
        self.task, self._size = task, 0
        self._path = self._receiver.new_part()
        self.descriptor = self._folder.create_file(self._path)

    def write(self, block: bytes) -> None:
        """Add the file's next bytes."""
        write_all(self.descriptor, block)
        self._size += len(block)

    def end(self, read: SourceRead, content: Future[Content]) -> Written:
        """Count the file against its size, and give it, still open and unflushed."""
        if not self._size == read.size_bytes == os.lseek(self.descriptor, 0, os.SEEK_END):
            raise OSError(errno.EIO, "the copy has another size than its source", self._path)
        self._keep_time(read.modified_ns)
        assert self.task is not None
        written = Written(self.task, self._path, self.descriptor, read, content)
        self.task, self.descriptor = None, -1
        return written

    def _keep_time(self, modified_ns: int) -> None:
        """Set the copy's time to its source's, where the drive can; its entry has the time anyway."""
        try:
            self._folder.set_modified(self.descriptor, modified_ns)
        except OSError as error:
            if error.errno == errno.EIO or drive_has_left(error):
                raise

    def abandon(self) -> None:
        """Remove a file that was begun and will not be ended."""
        self.task = None
        if self.descriptor >= 0:
            descriptor, self.descriptor = self.descriptor, -1
            try:
                os.close(descriptor)
            finally:
                self._folder.remove(self._path)
