"""What surrounds a part adds to its density: whole thousandths on nodes of a grid, linear between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ROUNDED", "FieldBand", "SurroundingField", "field_of"]

FloatArray = NDArray[np.float64]
#: What surroundings add is rounded to whole multiples of one over this.
ROUNDED = 1000
_ROWS = 256  # rows of places that are worked out at once


@dataclass(frozen=True, eq=False, slots=True)
class SurroundingField:
    """steps (rows, cols), density in 1 / ROUNDED, at (x0 + i hx, y0 + j hy) from a part's axis; 0 beyond."""

    steps: NDArray[np.int16]
    x0: float
    y0: float
    hx: float
    hy: float

    @property
    def key(self) -> tuple[object, ...]:
        """Equal for fields that are alike."""
        return self.steps.shape, self.x0, self.y0, self.hx, self.hy, self.steps.tobytes()

    @property
    def mirrored_x(self) -> bool:
        """Whether it is even about the axis x = 0."""
        last = self.x0 + (self.steps.shape[1] - 1) * self.hx
        return abs(self.x0 + last) < self.hx / 2 and np.array_equal(self.steps, self.steps[:, ::-1])

    @property
    def mirrored_y(self) -> bool:
        """Whether it is even about the axis y = 0."""
        return self.turned.mirrored_x

    @property
    def turned(self) -> SurroundingField:
        """The same with x and y exchanged."""
        return SurroundingField(self.steps.T, self.y0, self.x0, self.hy, self.hx)

    @property
    def diagonal(self) -> bool:
        """Whether exchanging x and y changes nothing."""
        return (self.x0, self.hx) == (self.y0, self.hy) and np.array_equal(self.steps, self.steps.T)

    def at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Density at places x (cols,) and y (rows,), (rows, cols)."""
        found = np.zeros((len(y), len(x)))
        left, right, part_x = self._between((x - self.x0) / self.hx, self.steps.shape[1])
        low, high, part_y = self._between((y - self.y0) / self.hy, self.steps.shape[0])
        padded = np.pad(self.steps, ((0, 1), (0, 1)))
        for first in range(0, len(y), _ROWS):
            rows = slice(first, first + _ROWS)
            below, above = (
                (lines[:, left] * (1 - part_x) + lines[:, right] * part_x) / ROUNDED
                for lines in (padded[low[rows]], padded[high[rows]])
            )
            up = part_y[rows, None]
            found[rows] = below * (1 - up) + above * up
        return found

    def at_points(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Density at the places (x, y), (places,)."""
        left, right, part_x = self._between((x - self.x0) / self.hx, self.steps.shape[1])
        low, high, part_y = self._between((y - self.y0) / self.hy, self.steps.shape[0])
        padded = np.pad(self.steps, ((0, 1), (0, 1)))
        below = padded[low, left] * (1 - part_x) + padded[low, right] * part_x
        above = padded[high, left] * (1 - part_x) + padded[high, right] * part_x
        found: FloatArray = (below * (1 - part_y) + above * part_y) / ROUNDED
        return found

    @staticmethod
    def _between(
        at: FloatArray, count: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray]:
        """The nodes on both sides of fractional indices, `count` (an empty one) beyond the field, and the fraction."""
        base = np.floor(at).astype(np.int64)
        low = np.where((base >= 0) & (base < count), base, count)
        high = np.where((base + 1 >= 0) & (base + 1 < count), base + 1, count)
        return low, high, at - base


@dataclass(frozen=True, eq=False, slots=True)
class FieldBand:
    """Rows of a field from its column `left` on, whatever is not 0 in them."""

    left: int
    steps: NDArray[np.int16]

    @classmethod
    def of(cls, steps: NDArray[np.int16]) -> FieldBand:
        """Rows (rows, all cols) without the columns of 0 on both sides."""
        held = np.flatnonzero(steps.any(axis=0))
        if not held.size:
            return cls(0, steps[:, :0].copy())
        return cls(int(held[0]), steps[:, held[0] : held[-1] + 1].copy())


def field_of(
    bands: Sequence[FieldBand], x: FloatArray, y: FloatArray, hx: float, hy: float
) -> SurroundingField | None:
    """The field of bands, one below the other, at places x (cols,) and y (rows,), cut to what is not 0.

    None where everything is.
    """
    some = [band for band in bands if band.steps.size]
    if not some:
        return None
    left = min(band.left for band in some)
    right = max(band.left + band.steps.shape[1] for band in some)
    held = np.flatnonzero(np.concatenate([band.steps.any(axis=1) for band in bands]))
    low, high = int(held[0]), int(held[-1]) + 1
    steps = np.zeros((high - low, right - left), dtype=np.int16)
    first = 0
    for band in bands:
        rows, cols = band.steps.shape
        a, b = max(low, first), min(high, first + rows)
        if cols and a < b:
            at = band.left - left
            steps[a - low : b - low, at : at + cols] = band.steps[a - first : b - first]
        first += rows
    return SurroundingField(steps, float(x[left]), float(y[low]), hx, hy)
