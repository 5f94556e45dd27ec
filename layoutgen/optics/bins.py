"""From a lattice site to its phase bin, and from the bin to a master diameter.

A turn of phase is cut into 65,536 bins; a table made once gives the pillar of each bin. Places are
whole database units times one scale, phases come from sums, products and square roots only, so
a bin does not depend on the processor or on how a part is cut into blocks.
"""

from __future__ import annotations

import numba
import numpy as np

from layoutgen.optics.kernel import WORK_PER_SITE, turns_row

__all__ = ["BINS", "look_up", "phase_bins"]

BINS = 65536


@numba.njit(cache=True, nogil=True, error_model="numpy")
def phase_bins(  # type: ignore[no-untyped-def]
    kinds, params, extra, x_first, x_odd, x_step, y_first, y_step, scale_x, scale_y,
    row0, col0, lo, hi, lo_in, hi_in, bins, histogram,
):  # fmt: skip  # pragma: no cover
    """Fill `bins` (rows, cols) of a block and count the bins of sites inside the aperture.

    x of a site is x_first + col * x_step (+ x_odd on odd rows) database units, times scale_x
    micrometres; lo .. hi and lo_in .. hi_in are columns of the block.
    """
    width = bins.shape[1]
    x = np.zeros(width)
    turns = np.zeros(width)
    work = np.zeros(WORK_PER_SITE * width)
    steps = np.arange(width) * float(x_step)
    for r in range(bins.shape[0]):
        a = lo[r]
        n = hi[r] - a
        if n <= 0:
            continue
        row = row0 + r
        first = float(x_first + (row & 1) * x_odd + (col0 + a) * x_step)
        for c in range(n):
            x[c] = (first + steps[c]) * scale_x
        y = (y_first + row * y_step) * scale_y
        turns_row(kinds, params, extra, x[:n], y, work, turns[:n])
        for c in range(n):
            t = turns[c]
            t = (t - np.floor(t)) * 65536.0
            turns[c] = t if t < 65535.0 else 65535.0
        here = bins[r, a : a + n]  # slices from 0: an index that may be negative stops vectors
        for c in range(n):
            here[c] = np.uint16(np.int32(turns[c]))
        inside = bins[r, lo_in[r] : hi_in[r]]
        for c in range(inside.size):
            histogram[inside[c]] += 1


@numba.njit(cache=True, nogil=True)
def look_up(bins, lo, hi, table, masters):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fill `masters` (rows, cols) with table[bin]; sites outside lo .. hi stay 0."""
    for r in range(bins.shape[0]):
        for c in range(lo[r], hi[r]):
            masters[r, c] = table[bins[r, c]]
