"""Responses of pillar arrays that were computed before, kept by content in the user's cache folder.

A file's name is the hash of everything that a response depends on: the stack and the light, the solver's own
source text, numpy's version and the processor's kind. So nothing stale is ever read, and a table is
the same with and without the cache (numbers are kept to the last bit). The folder is
$XDG_CACHE_HOME/layoutgen, ~/.cache/layoutgen where that is not set (XDG Base Directory Specification); where
there is none, or it cannot be written, nothing is kept and nothing is said. It may be deleted at any time.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np

from layoutgen import optics
from layoutgen.caches import user_cache
from layoutgen.optics.pillar_array import PillarArray, Response

__all__ = ["ResponseCache", "cache_folder"]

#: The modules whose text decides what a response is.
_SOLVER = (
    "stack", "fourier_orders", "permittivity", "layer_modes", "films", "coupled_waves", "pillar_array",
)  # fmt: skip
_PARTS = 5  # numbers of one response: two complex amplitudes and the power in other orders
_LARGEST = 100_000_000  # bytes; a cache larger than this is no cache of ours


def cache_folder() -> Path | None:
    """Where responses are kept; None where the system names no place."""
    folder = user_cache()
    return None if folder is None else folder / "layoutgen"


class ResponseCache:
    """Responses of one array; use as a context: what is new is written on the way out."""

    def __init__(self, array: PillarArray, folder: Path | None) -> None:
        self._held: dict[str, list[float]] = {}
        self._new = False
        self._file: Path | None = None
        text = _solver_text()
        if folder is not None and text is not None:
            key = f"{text}\n{np.__version__} {platform.machine()}\n{array!r}"
            name = hashlib.sha256(key.encode()).hexdigest()
            self._file = folder / f"responses-{name[:40]}.json"
            self._held = _read(self._file)

    def get(self, size_nm: float, orders: int, slices: int) -> tuple[Response, ...] | None:
        """What was kept for one size, if anything."""
        numbers = self._held.get(_key(size_nm, orders, slices))
        if numbers is None:
            return None
        return tuple(
            Response(complex(a, b), complex(c, d), other)
            for a, b, c, d, other in zip(*[iter(numbers)] * _PARTS, strict=True)
        )

    def put(self, size_nm: float, orders: int, slices: int, found: Sequence[Response]) -> None:
        """Keep one response of each polarisation."""
        self._held[_key(size_nm, orders, slices)] = [
            number
            for r in found
            for number in (
                r.transmission.real, r.transmission.imag, r.reflection.real, r.reflection.imag, r.other
            )
        ]  # fmt: skip
        self._new = True

    def __enter__(self) -> ResponseCache:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is None or not self._new:
            return
        with suppress(OSError):
            self._file.parent.mkdir(parents=True, exist_ok=True)
            # what another run has added meanwhile stays
            data = json.dumps({**_read(self._file), **self._held}, sort_keys=True)
            handle, name = tempfile.mkstemp(dir=self._file.parent, prefix=".part-")
            try:
                with os.fdopen(handle, "w", encoding="utf-8") as part:
                    part.write(data)
                Path(name).replace(self._file)
            except OSError:
                Path(name).unlink(missing_ok=True)
                raise


def _key(size_nm: float, orders: int, slices: int) -> str:
    return f"{size_nm!r} {orders} {slices}"


def _read(file: Path) -> dict[str, list[float]]:
    """What a cache file holds; nothing where it is damaged."""
    try:
        if not file.is_file() or file.stat().st_size > _LARGEST:
            return {}
        data = json.loads(file.read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    if not isinstance(data, dict):
        return {}
    return {
        key: numbers
        for key, numbers in data.items()
        if isinstance(numbers, list)
        and numbers
        and len(numbers) % _PARTS == 0
        and all(isinstance(number, float) for number in numbers)
    }


def _solver_text() -> str | None:
    """The solver's source; None where the package comes without it."""
    folder = Path(optics.__file__).parent
    try:
        return "\n".join((folder / f"{name}.py").read_text(encoding="utf-8") for name in _SOLVER)
    except OSError:
        return None
