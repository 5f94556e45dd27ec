"""From master to drawn diameter: the proximity-bias table and the ladder.

    drawn = master + bias(density, master) + split + zone, rounded half up to the ladder

The table is bilinear in (density, master) and clamped at its ends. Diameters are those of the
disc of equal area; a square's ladder counts sides, side = d sqrt(pi) / 2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.codes import CodeArray
from layoutgen.kernels import kernel
from layoutgen.units import SQUARE_SIDE

__all__ = ["DENSITY_STEPS", "BiasTable", "DrawnLadder"]

FloatArray = NDArray[np.float64]

#: Densities are told apart in steps of 1/8192: half a step is 6e-5, an eighth of what is allowed.
DENSITY_STEPS = 8192

#: What counts as a tie when rounding half up, in ladder steps: bilinear arithmetic is good to
#: 1e-12 nm, and a table's numbers are decimal, so a true half must not fall to the lower step.
_TIE = 1e-9


@dataclass(frozen=True, eq=False, slots=True)
class BiasTable:
    """bias_nm is (densities, diameters), both axes rising; a single entry holds everywhere."""

    densities: FloatArray
    diameters_nm: FloatArray
    bias_nm: FloatArray

    @classmethod
    def none(cls) -> BiasTable:
        """No correction: what stands when the recipe names no table."""
        return cls(np.zeros(1), np.zeros(1), np.zeros((1, 1)))

    @property
    def depends_on_density(self) -> bool:
        return bool(np.ptp(self.bias_nm, axis=0).max() > 0)

    def __call__(self, density: FloatArray, master_nm: FloatArray) -> FloatArray:
        """Bias in nm at broadcast densities and master diameters, clamped at the table's ends."""
        i, u = _bracket(self.densities, density)
        j, v = _bracket(self.diameters_nm, master_nm)
        i1 = np.minimum(i + 1, len(self.densities) - 1)
        j1 = np.minimum(j + 1, len(self.diameters_nm) - 1)
        b = self.bias_nm
        low = b[i, j] + v * (b[i, j1] - b[i, j])
        high = b[i1, j] + v * (b[i1, j1] - b[i1, j])
        found: FloatArray = low + u * (high - low)
        return found

    def at_steps(
        self, master_nm: FloatArray, fixed: NDArray[np.bool_], first: int, last: int
    ) -> FloatArray:
        """Bias (steps, masters) at density steps first .. last; 0 for `fixed` masters."""
        j, v = _bracket(self.diameters_nm, master_nm)
        j1 = np.minimum(j + 1, len(self.diameters_nm) - 1)
        columns = self.bias_nm[:, j] + v * (self.bias_nm[:, j1] - self.bias_nm[:, j])
        columns = np.where(fixed, 0.0, columns)  # (densities, masters)
        i, u = _bracket(self.densities, np.arange(first, last + 1) / DENSITY_STEPS)
        found = np.zeros((len(i), len(master_nm)))
        _between(columns, i, u, found)
        return found

    def covers(self, density: FloatArray, master_nm: FloatArray) -> NDArray[np.bool_]:
        """Where no clamping was needed."""
        if self.bias_nm.size == 1:  # a single entry holds everywhere
            return np.ones(np.broadcast(density, master_nm).shape, dtype=np.bool_)
        found: NDArray[np.bool_] = (
            (density >= self.densities[0] - 1e-9)
            & (density <= self.densities[-1] + 1e-9)
            & (master_nm >= self.diameters_nm[0] - 1e-9)
            & (master_nm <= self.diameters_nm[-1] + 1e-9)
        )
        return found


def _bracket(nodes: FloatArray, at: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
    """Index of the node at or below and the fraction of the way to the next, clamped."""
    if len(nodes) == 1:
        zero = np.zeros(np.shape(at), dtype=np.intp)
        return zero, np.zeros(np.shape(at))
    i = np.clip(np.searchsorted(nodes, at, side="right") - 1, 0, len(nodes) - 2)
    u = np.clip((at - nodes[i]) / (nodes[i + 1] - nodes[i]), 0.0, 1.0)
    return i, u


@kernel
def _between(rows, i, u, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """out[d] = the way u[d] from rows[i[d]] to the next one, the last row repeated."""
    for d in range(len(i)):
        low = rows[i[d]]
        high = rows[min(i[d] + 1, len(rows) - 1)]
        for m in range(out.shape[1]):
            out[d, m] = low[m] + u[d] * (high[m] - low[m])


@kernel
def _round_half_up(drawn, scale, low, step, count, codes, left):  # type: ignore[no-untyped-def]  # pragma: no cover
    for i in range(len(drawn)):
        k = int(np.floor((drawn[i] * scale - low) / step + 0.5 + _TIE))
        inside = min(max(k, 0), count - 1)
        codes[i] = inside + 1
        left[i] = inside != k


@dataclass(frozen=True, slots=True)
class DrawnLadder:
    """The drawn sizes: min_nm + i * step_nm, i = 0 .. count - 1; code = 1 + i.

    For squares min_nm and step_nm are sides, and the diameters given here are of equal area.
    """

    min_nm: float
    step_nm: float
    count: int
    squares: bool

    def codes(self, drawn_nm: FloatArray) -> tuple[CodeArray, NDArray[np.bool_]]:
        """Codes 1 .. count of unrounded drawn diameters, and which of them left the ladder.

        Rounded half up; codes are uint8 where all are under 256, else uint16.
        """
        codes = np.zeros(drawn_nm.shape, dtype=np.uint8 if self.count < 256 else np.uint16)
        left = np.zeros(drawn_nm.shape, dtype=np.bool_)
        scale = SQUARE_SIDE if self.squares else 1.0
        _round_half_up(
            np.ascontiguousarray(drawn_nm).ravel(), scale, self.min_nm, self.step_nm, self.count,
            codes.ravel(), left.ravel(),
        )  # fmt: skip
        return codes, left

    def size_nm(self, code: int) -> float:
        """What the ladder counts: the diameter of a disc or the side of a square."""
        return self.min_nm + (code - 1) * self.step_nm

    def diameter_nm(self, code: int) -> float:
        """Equal-area diameter of a code."""
        size = self.size_nm(code)
        return size / SQUARE_SIDE if self.squares else size
