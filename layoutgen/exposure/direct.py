"""Local density at a few places, summed pillar by pillar: exact within the kernel's reach, and without a raster."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.part import MasterArray, Part, Site
from layoutgen.exposure.scatter import ScatterTerm
from layoutgen.kernels import late_kernel
from layoutgen.lattice import Lattice, Window

__all__ = ["density_sum", "points_near", "sum_is_cheaper"]

FloatArray = NDArray[np.float64]

#: Entries of the table of the kernel over its shortest range; linear between them, within 1e-6 of its largest value.
_ENTRIES = 512

#: Codes of a block from its masters.
Codes = Callable[[Site, MasterArray], NDArray[np.unsignedinteger]]


def sum_is_cheaper(part: Part, reach_dbu: float, places: int) -> bool:
    """Whether a sum over the pillars within reach of each place has fewer terms than the part has sites."""
    lattice = part.lattice
    return places * math.pi * reach_dbu**2 <= part.stored * lattice.pitch_dbu * lattice.row_dbu


def density_sum(
    part: Part, codes: Codes, area_dbu2: FloatArray, terms: Sequence[ScatterTerm],
    reach_dbu: float, places: FloatArray,
) -> FloatArray:  # fmt: skip
    """What a part's shapes add to the density at places (n, 2) from its axis, in database units; (n,).

    area_dbu2: of the shape of each code, entry 0 for an empty site. Pillars count as points.
    """
    shortest = min(term.range_dbu for term in terms)
    r = np.linspace(0.0, reach_dbu, math.ceil(reach_dbu / shortest * _ENTRIES) + 1)
    kernel = np.zeros(len(r))
    for term in terms:
        within = r <= term.reach_dbu
        kernel += np.where(within, term.share * term.value(r), 0.0)
    lattice, found = part.lattice, np.zeros(len(places))
    turned = [
        [places @ _matrix(*placement) for placement in piece.placements] for piece in part.pieces
    ]  # M^T p for each p, as rows
    for index, site in enumerate(part.sites):
        images = np.concatenate(turned[site.piece])
        near = points_near(lattice, site.window, images, reach_dbu)
        if not len(near):
            continue
        # what lies beyond reach of all of them need not be known
        window = _around(lattice, site.window, images[near], reach_dbu)
        if not window.rows or not window.cols:
            continue
        cut, masters = part.within(index, window)
        _sum(
            codes(cut, masters), area_dbu2, float(lattice.x_dbu(0, window.col0)),
            float(lattice.y_dbu(window.row0)), window.row0 & 1,
            float(lattice.pitch_dbu), float(lattice.row_dbu), float(lattice.shift_dbu),
            images[near], near % len(places), reach_dbu, kernel, found,
        )  # fmt: skip
    return found


def points_near(
    lattice: Lattice, window: Window, points: FloatArray, reach_dbu: float
) -> NDArray[np.int64]:
    """Numbers of the points (n, 2) within reach of a block."""
    x0, x1 = lattice.x_dbu(0, window.col0), lattice.x_dbu(1, window.col0 + window.cols)
    y0, y1 = lattice.y_dbu(window.row0), lattice.y_dbu(window.row0 + window.rows)
    dx = np.maximum(np.maximum(x0 - points[:, 0], points[:, 0] - x1), 0.0)
    dy = np.maximum(np.maximum(y0 - points[:, 1], points[:, 1] - y1), 0.0)
    return np.flatnonzero(dx * dx + dy * dy <= reach_dbu**2)


def _around(lattice: Lattice, window: Window, points: FloatArray, reach_dbu: float) -> Window:
    """The part of a block's window that holds every site within reach of any of the points."""
    low, high = points.min(axis=0) - reach_dbu, points.max(axis=0) + reach_dbu
    # odd rows of a hexagonal lattice stand half a pitch further right
    col0 = math.floor((low[0] - lattice.x0_dbu - lattice.shift_dbu) / lattice.pitch_dbu)
    col1 = math.ceil((high[0] - lattice.x0_dbu) / lattice.pitch_dbu) + 1
    row0 = math.floor((low[1] - lattice.y0_dbu) / lattice.row_dbu)
    row1 = math.ceil((high[1] - lattice.y0_dbu) / lattice.row_dbu) + 1
    col0, row0 = max(col0, window.col0), max(row0, window.row0)
    col1, row1 = min(col1, window.col0 + window.cols), min(row1, window.row0 + window.rows)
    return Window(row0, col0, max(row1 - row0, 0), max(col1 - col0, 0))


def _matrix(turns: int, mirror: bool) -> FloatArray:
    cos, sin = ((1, 0), (0, 1), (-1, 0), (0, -1))[turns % 4]
    flip = -1 if mirror else 1
    return np.array([[cos, -sin * flip], [sin, cos * flip]], np.float64)


@late_kernel(
    "(Array(uint8, 2, 'C', True), float64[::1], float64, float64, int64, float64, float64, "
    "float64, float64[:, ::1], int64[::1], float64, float64[::1], float64[::1])"
)
def _sum(
    codes: Any, area: Any, x0: float, y0: float, odd0: int, pitch: float, row: float, shift: float,
    points: Any, number: Any, reach: float, kernel: Any, found: Any,
) -> None:  # fmt: skip  # pragma: no cover
    """Add area times kernel of all sites of a block within reach of each point."""
    per_step = (len(kernel) - 1) / reach
    rows, cols = codes.shape
    for k in range(len(points)):
        px, py = points[k, 0], points[k, 1]
        total = 0.0
        first = max(0, int(np.ceil((py - reach - y0) / row)))
        last = min(rows - 1, int(np.floor((py + reach - y0) / row)))
        for r in range(first, last + 1):
            dy = y0 + r * row - py
            half = np.sqrt(max(reach * reach - dy * dy, 0.0))
            left = x0 + ((r + odd0) & 1) * shift
            c0 = max(0, int(np.ceil((px - half - left) / pitch)))
            c1 = min(cols - 1, int(np.floor((px + half - left) / pitch)))
            for c in range(c0, c1 + 1):
                code = codes[r, c]
                if code == 0:
                    continue
                dx = left + c * pitch - px
                at = np.sqrt(dx * dx + dy * dy) * per_step
                i = min(int(at), len(kernel) - 2)
                total += area[code] * (kernel[i] + (at - i) * (kernel[i + 1] - kernel[i]))
        found[number[k]] += total
