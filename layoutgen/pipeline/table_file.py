"""A table on the disk: whole under its name or not at all, and nothing else written over."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from layoutgen.errors import InputError, LayoutgenError


def write_table(path: Path, data: bytes, may_replace: Callable[[bytes], bool]) -> bool:
    """Write a file; True where the same bytes stood there already.

    A file of other bytes is written over only if `may_replace` says so of them; else InputError. The
    new one is written beside its place and renamed.
    """
    try:
        if path.exists():
            held = path.read_bytes() if path.is_file() else b""
            if path.is_file() and held == data:
                return True
            if not path.is_file() or not may_replace(held):
                raise InputError(
                    f"{path}: want a name that is free, or a table of this command to replace, got"
                    f" {'another file' if path.is_file() else 'a folder'}; it was left as it is"
                )
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{path}: want a file to write to, got {error.strerror}") from error
    part: Path | None = None
    try:
        with tempfile.NamedTemporaryFile(
            dir=path.parent, prefix=f".{path.name}.", delete=False
        ) as out:
            part = Path(out.name)
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        mask = os.umask(0)
        os.umask(mask)
        part.chmod(0o666 & ~mask)
        part.replace(path)
    except OSError as error:
        if part is not None:
            with suppress(OSError):
                part.unlink()
        raise LayoutgenError(f"{path}: could not be written: {error.strerror or error}") from error
    return False
