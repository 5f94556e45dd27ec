"""From a lattice site to its phase bin, and from the bin to a master diameter.

A turn of phase is cut into 65,536 bins; a table made once gives the pillar of each bin. Places are
whole database units times one scale, phases come from sums, products and square roots only, so
a bin does not depend on the processor or on how a part is cut into blocks.
"""

from __future__ import annotations

import numpy as np

from layoutgen.kernels import inner, kernel
from layoutgen.optics.kernel import WORK_PER_SITE, turns_row

__all__ = ["BINS", "phase_masters"]

BINS = 65536


@inner
def _row_bins(kinds, params, extra, first, x_step, scale_x, y, x, work, turns):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Bins of a row of sites as whole numbers in `turns`; x and work are scratch."""
    n = len(turns)
    for c in range(n):
        x[c] = (first + c * x_step) * scale_x
    turns_row(kinds, params, extra, x, y, work, turns)
    for c in range(n):
        t = turns[c]
        t = (t - np.floor(t)) * 65536.0
        turns[c] = t if t < 65535.0 else 65535.0


@kernel
def phase_masters(  # type: ignore[no-untyped-def]
    kinds, params, extra, x_first, x_odd, x_step, y_first, y_step, scale_x, scale_y,
    row0, col0, lo, hi, table, masters, histogram, count,
):  # fmt: skip  # pragma: no cover
    """Fill `masters` (rows, cols) of a block with table[bin]; sites outside lo .. hi stay 0.

    x of a site is x_first + col * x_step (+ x_odd on odd rows) database units, times scale_x
    micrometres. With `count` nothing is filled: the sites of each bin are counted.
    """
    width = masters.shape[1]
    x = np.zeros(width)
    turns = np.zeros(width)
    work = np.zeros(WORK_PER_SITE * width)
    step = float(x_step)
    for r in range(masters.shape[0]):
        a = lo[r]
        n = hi[r] - a
        if n <= 0:
            continue
        row = row0 + r
        first = float(x_first + (row & 1) * x_odd + (col0 + a) * x_step)
        y = (y_first + row * y_step) * scale_y
        bins = turns[:n]
        _row_bins(kinds, params, extra, first, step, scale_x, y, x[:n], work, bins)
        if count:
            for c in range(n):
                histogram[np.int32(bins[c])] += 1
            continue
        here = masters[r, a : a + n]  # slices from 0: an index that may be negative stops vectors
        for c in range(n):
            here[c] = table[np.uint32(np.int32(bins[c]))]
