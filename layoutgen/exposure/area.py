"""Exposed area of each master against density, in the whole numbers that are deposited."""

from __future__ import annotations

import math

import numba
import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.bias import BiasTable
from layoutgen.exposure.part import Masters
from layoutgen.exposure.raster import AREA_UNIT, SLOPE_UNIT, STEPS, packed

__all__ = ["AreaTable"]

FloatArray = NDArray[np.float64]


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


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _areas(master, bias, scale, area, slope):  # type: ignore[no-untyped-def]  # pragma: no cover
    steps, count = bias.shape
    for d in range(steps):
        low = max(d - 32, 0)  # wide enough to see past the table's kinks, narrow for its curve
        high = min(d + 32, steps - 1)
        for m in range(count):
            drawn = max(master[m] + bias[d, m], 0.0)
            # shapes of more than two site areas overlap: no rule lets them through
            area[d, m + 1] = int(np.floor(min(scale * drawn * drawn, 1.999) * AREA_UNIT + 0.5))
            if high > low:
                lean = (bias[high, m] - bias[low, m]) * STEPS / (high - low)
                lean = min(max(scale * 2 * drawn * lean, -7.99), 7.99)
                slope[d, m + 1] = int(np.floor(lean * SLOPE_UNIT + 0.5))
