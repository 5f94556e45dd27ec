"""A spline's coefficients row by row, each row as long as the part needs it, in two bytes a node.

A lens of 100 mm has half a thousand million nodes in its quadrant. Kept for the octant alone, and
in 1/65535 of each row's own span (about 5e-6 of density), they take a fifth of the memory of single
precision in a rectangle.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from layoutgen.kernels import kernel

__all__ = ["SplineRows"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
SingleArray = NDArray[np.float32]


@kernel
def _pack(values, i0, row, flat, start, first, count, low, step):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Store what is to be kept of `values`, whose first entry is node i0 of row `row`."""
    levels = np.float32(65535.0)
    half = np.float32(0.5)
    for r in range(values.shape[0]):
        k = row + r
        if k < 0 or k >= len(start) or count[k] == 0:
            continue
        here = values[r, first[k] - i0 : first[k] - i0 + count[k]]
        out = flat[start[k] : start[k] + count[k]]
        least = here[0]
        most = here[0]
        for i in range(len(here)):
            v = here[i]
            least = v if v < least else least
            most = v if v > most else most
        low[k] = least
        step[k] = (most - least) / levels
        part = levels / (most - least) if most > least else np.float32(0.0)
        for i in range(len(here)):
            out[i] = np.uint16(np.int32((here[i] - least) * part + half))


@kernel
def _unpack(flat, start, first, count, low, step, row, col, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fill `out` (rows, cols) from the row and column of its first entry; 0 where nothing is kept."""
    for r in range(out.shape[0]):
        k = row + r
        if k < 0 or k >= len(start):
            continue
        begin = max(col, first[k])
        end = min(col + out.shape[1], first[k] + count[k])
        if end <= begin:
            continue
        here = out[r, begin - col : end - col]
        packed = flat[start[k] + begin - first[k] : start[k] + end - first[k]]
        base = low[k]
        unit = step[k]
        for i in range(len(packed)):
            here[i] = base + unit * np.float32(packed[i])


class SplineRows:
    """Rows j0, j0 + 1, ... of nodes; row k holds count[k] columns from first[k] on."""

    def __init__(self, j0: int, first: IntArray, count: IntArray) -> None:
        self.j0 = j0
        self.first = first
        self.count = np.maximum(count, 0)
        self._start = np.concatenate([[0], np.cumsum(self.count)[:-1]]).astype(np.int64)
        self._flat = np.zeros(int(self.count.sum()), dtype=np.uint16)
        self._low = np.zeros(len(first), dtype=np.float32)
        self._step = np.zeros(len(first), dtype=np.float32)

    @classmethod
    def of(cls, values: SingleArray, i0: int, j0: int) -> SplineRows:
        """All of a rectangle whose first entry is node (i0, j0)."""
        rows, cols = values.shape
        found = cls(j0, np.full(rows, i0), np.full(rows, cols))
        found.put(values, i0, j0)
        return found

    @property
    def nbytes(self) -> int:
        return self._flat.nbytes

    def holds(self, j0: int, i0: int, shape: tuple[int, ...]) -> NDArray[np.bool_]:
        """Which nodes of an array whose first entry is node (i0, j0) are kept."""
        k = np.clip(j0 + np.arange(shape[0]) - self.j0, 0, len(self.first) - 1)
        inside = (j0 + np.arange(shape[0]) - self.j0 == k)[:, None]
        i = i0 + np.arange(shape[1])[None, :]
        first = self.first[k][:, None]
        found: NDArray[np.bool_] = inside & (i >= first) & (i < first + self.count[k][:, None])
        return found

    def put(self, values: SingleArray, i0: int, j0: int) -> None:
        """Keep what belongs to these rows of an array whose first entry is node (i0, j0)."""
        k = np.arange(max(j0, self.j0), min(j0 + len(values), self.j0 + len(self.first))) - self.j0
        k = k[self.count[k] > 0]
        end = i0 + values.shape[1]
        if np.any(self.first[k] < i0) or np.any(self.first[k] + self.count[k] > end):
            raise ValueError("want every column that is to be kept")
        _pack(
            np.ascontiguousarray(values), i0, j0 - self.j0, self._flat, self._start, self.first, self.count, self._low,
            self._step,
        )  # fmt: skip

    def window(self, i0: int, j0: int, cols: int, rows: int) -> SingleArray:
        """A rectangle of nodes from (i0, j0) on, (rows, cols); 0 where nothing is kept."""
        out = np.zeros((rows, cols), dtype=np.float32)
        _unpack(
            self._flat, self._start, self.first, self.count, self._low, self._step,
            j0 - self.j0, i0, out,
        )  # fmt: skip
        return out

    def nodes(self, i: IntArray, j: IntArray) -> FloatArray:
        """Single coefficients at nodes (i, j), arrays of one shape; 0 where nothing is kept."""
        k = np.clip(j - self.j0, 0, len(self.first) - 1)
        at = i - self.first[k]
        held = (j - self.j0 == k) & (at >= 0) & (at < self.count[k])
        packed = self._flat[np.where(held, self._start[k] + at, 0)] if len(self._flat) else 0
        found: FloatArray = np.where(held, self._low[k] + self._step[k] * packed, 0.0)
        return found
