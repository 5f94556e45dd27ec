"""Area of polygons on a raster: exact coverage of small cells, then a spline deposit.

A cell is an eighth of a node step; its covered area is exact (signed trapezoids summed along
the row) and is taken at its centre, which leaves about 1e-4 of density at the edge of a wide pad.
Polygons that overlap count once: coverage stops at 1. Cells are made in bands of rows.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.raster import Convolver, Grid, field_at, spline_weights
from layoutgen.exposure.scatter import ScatterTerm
from layoutgen.kernels import kernel

__all__ = ["cover", "deposit_polygons", "polygon_density"]

FloatArray = NDArray[np.float64]
Vertices = NDArray[np.float64] | NDArray[np.int64]
_CELLS = 8  # cells to a node step
_BAND = 64  # node rows whose cells are held at once, and how many cells at the most
_MOST_CELLS = 1 << 22


@kernel
def _accumulate(points, cells):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Add a polygon's signed area to `cells`; points (n, 2) in cells; sum along rows afterwards."""
    rows, cols = cells.shape[0], cells.shape[1] - 2
    n = len(points)
    for e in range(n):
        x0, y0 = points[e, 0], points[e, 1]
        f = e + 1 if e + 1 < n else 0
        x1, y1 = points[f, 0], points[f, 1]
        if y0 == y1:
            continue
        sign = 1.0
        if y0 > y1:
            x0, y0, x1, y1 = x1, y1, x0, y0
            sign = -1.0
        lean = (x1 - x0) / (y1 - y0)
        for row in range(max(0, int(np.floor(y0))), min(rows - 1, int(np.floor(y1))) + 1):
            low = max(y0, float(row))
            high = min(y1, row + 1.0)
            if high <= low:
                continue
            xa = x0 + (low - y0) * lean
            xb = x0 + (high - y0) * lean
            if xa > xb:
                xa, xb = xb, xa
            total = sign * (high - low)
            # the part left of the raster fills from column 0, the part right of it nothing
            if xb <= 0.0:
                cells[row, 0] += total
                continue
            if xa >= cols:
                continue
            if xb - xa < 1e-12:
                c = int(np.floor(xa))
                part = xa - c
                cells[row, c] += total * (1 - part)
                cells[row, c + 1] += total * part
                continue
            per_x = total / (xb - xa)
            if xa < 0.0:
                cells[row, 0] += per_x * -xa
                xa = 0.0
            end = min(xb, float(cols))
            c = int(np.floor(xa))
            while xa < end:
                to = min(end, c + 1.0)
                piece = per_x * (to - xa)
                part = (xa + to) / 2 - c
                cells[row, c] += piece * (1 - part)
                cells[row, c + 1] += piece * part
                xa = to
                c += 1


def cover(polygons: Sequence[Vertices], grid: Grid) -> FloatArray:
    """Covered fraction of each cell, (8 rows, 8 cols); cell (0, 0) has its corner on node (i0, j0)."""
    cells = np.zeros((grid.rows * _CELLS, grid.cols * _CELLS + 2))
    for polygon in polygons:
        points = np.asarray(polygon, dtype=np.float64)
        scaled = np.stack(
            [
                (points[:, 0] / grid.hx - grid.i0) * _CELLS,
                (points[:, 1] / grid.hy - grid.j0) * _CELLS,
            ],
            axis=1,
        )
        x, y = scaled[:, 0], scaled[:, 1]
        if float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) > 0:
            scaled = scaled[::-1]  # the row sum runs to the right, so clockwise counts positive
        _accumulate(np.ascontiguousarray(scaled), cells)
    found: FloatArray = np.clip(np.cumsum(cells, axis=1)[:, :-2], 0.0, 1.0)
    return found


def deposit_polygons(polygons: Sequence[Vertices], grid: Grid) -> FloatArray:
    """Area fraction that polygons (n, 2) of database units from the axis leave on each node."""
    wide = Grid(grid.hx, grid.hy, grid.i0 - 2, grid.j0 - 2, grid.cols + 4, grid.rows + 4)
    weights = spline_weights(_CELLS, None)[1]  # (4, cell): a cell's centre is at (2 s + 1) / 16

    found = np.zeros((wide.rows + 3, wide.cols))
    pace = max(1, min(_BAND, _MOST_CELLS // (wide.cols * _CELLS**2)))
    for first in range(0, wide.rows, pace):
        rows = min(pace, wide.rows - first)
        band = Grid(wide.hx, wide.hy, wide.i0, wide.j0 + first, wide.cols, rows)
        cells = cover(polygons, band)
        if not cells.any():
            continue
        steps = cells.reshape(rows * _CELLS, wide.cols, _CELLS)
        across = np.zeros((rows * _CELLS, wide.cols + 3))
        for t in range(4):
            across[:, t : t + wide.cols] += steps @ weights[t]
        lines = across[:, 1 : 1 + wide.cols].reshape(rows, _CELLS, wide.cols)
        for t in range(4):
            found[first + t : first + t + rows] += weights[t] @ lines
    # a row and a column before the first take what spills over, and so do the two that are left out
    return np.ascontiguousarray(found[3 : 1 + wide.rows - 2, 2:-2]) / _CELLS**2


def polygon_density(
    polygons: Sequence[Vertices], terms: Sequence[ScatterTerm], x: FloatArray, y: FloatArray
) -> FloatArray:
    """Density that polygons give at places x (cols,) and y (rows,), both rising; (rows, cols).

    Terms beyond their reach count nothing.
    """
    found = np.zeros((len(y), len(x)))
    if not polygons:
        return found
    points = np.concatenate([np.asarray(p, dtype=np.float64) for p in polygons])
    low, high = points.min(axis=0), points.max(axis=0)
    for term in terms:  # each on nodes of its own, so that a long reach costs no more than a short
        if term.reach_dbu > 0:
            _add_term(found, polygons, (low, high), term, x, y)
    return found


def _add_term(
    found: FloatArray,
    polygons: Sequence[Vertices],
    box: tuple[FloatArray, FloatArray],
    term: ScatterTerm,
    x: FloatArray,
    y: FloatArray,
) -> None:
    h, reach = term.range_dbu / 4, term.reach_dbu
    span = []
    for axis, at in ((0, x), (1, y)):
        low, high = float(box[0][axis]), float(box[1][axis])
        # places that can be reached, and the area that reaches them
        first, last = max(low - reach, float(at[0])), min(high + reach, float(at[-1]))
        if first > last:
            return
        area = max(low, first - reach), min(high, last + reach)
        span.append((min(first, area[0]), max(last, area[1])))
    i0, i1 = (int(np.floor(span[0][0] / h)) - 6, int(np.ceil(span[0][1] / h)) + 6)
    j0, j1 = (int(np.floor(span[1][0] / h)) - 6, int(np.ceil(span[1][1] / h)) + 6)
    grid = Grid(h, h, i0, j0, i1 - i0 + 1, j1 - j0 + 1)
    source = deposit_polygons(polygons, grid)
    if not source.any():
        return
    coef = Convolver(grid, (term,), False, False)(source)
    i = (x >= span[0][0] - h) & (x <= span[0][1] + h)
    j = (y >= span[1][0] - h) & (y <= span[1][1] + h)
    found[np.ix_(j, i)] += field_at(coef, grid, x[i], y[j])
