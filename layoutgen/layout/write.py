"""A layout file on disk: bytes go through, their number and SHA-256 are known at the end.

The file is made new, never over an existing one, and is on the disk when it is closed. What writes
it is expected to work in a folder under a temporary name that is renamed when all is complete, so
a run that is killed leaves nothing that looks finished.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from layoutgen.errors import LayoutgenError

__all__ = ["LayoutFile"]

# Cells come in pieces of some ten thousand bytes; the disk is asked once per this many.
BUFFER_BYTES = 1 << 20


class LayoutFile:
    """A new binary file, used as a context manager; if the block fails the file is removed.

    size: bytes written; sha256: their digest in hex. Both count what has been given to `write`.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.size = 0
        self._hash = hashlib.sha256()
        self._file: BinaryIO | None = None

    @property
    def sha256(self) -> str:
        return self._hash.hexdigest()

    def __enter__(self) -> LayoutFile:
        try:
            self._file = self.path.open("xb", buffering=BUFFER_BYTES)
        except OSError as error:
            raise self._sentence(error) from error
        return self

    def write(self, data: bytes) -> None:
        if self._file is None:
            raise ValueError(f"{self.path} is not open")
        self._hash.update(data)
        self.size += len(data)
        try:
            self._file.write(data)
        except OSError as error:
            raise self._sentence(error) from error

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        file, self._file = self._file, None
        if file is None:
            return
        problem: OSError | None = None
        try:
            try:
                file.flush()
                if kind is None:
                    os.fsync(file.fileno())
            finally:
                file.close()
        except OSError as raised:
            problem = raised
        if kind is not None or problem is not None:
            self.path.unlink(missing_ok=True)
        if kind is None and problem is not None:
            raise self._sentence(problem) from problem

    def _sentence(self, error: OSError) -> LayoutgenError:
        why = error.strerror or str(error)
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            try:
                free = f"{shutil.disk_usage(self.path.parent).free / 1e6:.0f} MB are free there"
            except OSError:
                free = "the space that is free there is unknown"
            return LayoutgenError(
                f"{self.path}: want room for the layout file, got a full disk after "
                f"{self.size / 1e6:.1f} MB ({free}); free space in {self.path.parent} or write the "
                "job elsewhere, then build again"
            )
        if error.errno == errno.EEXIST:
            return LayoutgenError(
                f"{self.path}: want a file that does not exist yet, got one; it is never overwritten"
            )
        return LayoutgenError(f"{self.path}: want to write the layout file, got {why!r}")
