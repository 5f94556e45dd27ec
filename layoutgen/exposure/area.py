"""Exposed area of each master against density, as lines and as tables, in the whole numbers that are deposited."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.bias import DENSITY_STEPS, BiasTable
from layoutgen.exposure.part import Masters
from layoutgen.exposure.raster import AREA_UNIT, SLOPE_UNIT, STEPS, packed
from layoutgen.kernels import kernel

__all__ = ["AreaTable", "Line", "line_of"]

FloatArray = NDArray[np.float64]

#: A line in density stands for a site's exposed area if it misses it by no more than this, for any master
#: at any density: a fifth of the density error that is allowed.
MISSED = 1e-4
#: Densities at which a line is held against the areas, beside the bias table's own.
_LOOKS = 65
#: What an area and a slope can be at the most: shapes of more than two site areas overlap, and no rule lets
#: them through.
_LARGEST, _STEEPEST = 1.999, 7.99


class AreaTable:
    """Exposed area of each master at density steps d0 .. d1, and its slope, as the deposit takes them.

    `packed` is (steps, masters + 1) int32; column 0 is an empty site.
    """

    def __init__(
        self, masters: Masters, bias: BiasTable, site_area_nm2: float, d0: int, d1: int
    ) -> None:
        self.d0 = d0
        found = bias.at_steps(masters.master_nm, masters.fixed, d0, d1)
        area = np.zeros((d1 - d0 + 1, len(masters) + 1), dtype=np.int32)
        slope = np.zeros_like(area)
        _areas(masters.master_nm, found, math.pi / 4 / site_area_nm2, area, slope)
        self.packed = packed(area, slope)


@dataclass(frozen=True, eq=False, slots=True)
class Line:
    """Exposed areas as lines in density, one a master: what one deposit tells of all densities.

    `packed` (1, masters + 1) holds area and slope at the density `origin`; `off` is the most that
    a line misses an area by, in site areas.
    """

    packed: NDArray[np.int32]
    origin: np.float32
    off: float

    @property
    def enough(self) -> bool:
        """Whether no second deposit, each site at its own density, is needed."""
        return self.off <= MISSED


def line_of(
    masters: Masters, bias: BiasTable, site_area_nm2: float, step: int, added: float | None
) -> Line:
    """The lines that miss the areas least over all densities that a part can have.

    step: the density step to take as origin. added: the most that surroundings add to the part's
    own density, or None where the shapes are holes.
    """
    origin = np.float32(step / DENSITY_STEPS)
    scale = math.pi / 4 / site_area_nm2
    free = np.where(masters.fixed, 0.0, 1.0)

    def area(rho: FloatArray) -> FloatArray:
        drawn = masters.master_nm + free * bias(rho[:, None], masters.master_nm)
        return np.minimum(scale * np.maximum(drawn, 0.0) ** 2, _LARGEST)

    own = bias.densities[(bias.densities > 0) & (bias.densities < 1)]
    reach = 1.0
    if added is not None and len(masters):
        # no density is above that of the largest area everywhere
        highest = float(area(np.concatenate([[0.0, 1.0], own])).max())
        reach = max(min(highest + added, 1.0), float(origin))
    rho = np.unique(np.concatenate([np.linspace(0, reach, _LOOKS), own[own < reach]]))
    exact, across = area(rho), rho - float(origin)
    lean = (exact[-1] - exact[0]) / max(reach, 1e-9)
    off = exact - lean * across[:, None]
    middle = (off.max(axis=0) + off.min(axis=0)) / 2
    return Line(_packed(middle, lean), origin, float(np.abs(off - middle).max(initial=0.0)))


def _packed(area: FloatArray, slope: FloatArray) -> NDArray[np.int32]:
    """Areas and slopes of masters as the deposit takes them, (1, masters + 1); first an empty site."""
    whole = [np.floor(v * unit + 0.5).astype(np.int32)
             for v, unit in ((area, AREA_UNIT), (np.clip(slope, -_STEEPEST, _STEEPEST), SLOPE_UNIT))]  # fmt: skip
    return packed(*(np.concatenate([[0], v])[None, :] for v in whole))


@kernel
def _areas(master, bias, scale, area, slope):  # type: ignore[no-untyped-def]  # pragma: no cover
    steps, count = bias.shape
    for d in range(steps):
        low = max(d - 32, 0)  # wide enough to see past the table's kinks, narrow for its curve
        high = min(d + 32, steps - 1)
        for m in range(count):
            drawn = max(master[m] + bias[d, m], 0.0)
            area[d, m + 1] = int(np.floor(min(scale * drawn * drawn, _LARGEST) * AREA_UNIT + 0.5))
            if high > low:
                lean = (bias[high, m] - bias[low, m]) * STEPS / (high - low)
                lean = min(max(scale * 2 * drawn * lean, -_STEEPEST), _STEEPEST)
                slope[d, m + 1] = int(np.floor(lean * SLOPE_UNIT + 0.5))
