"""Write fields of a part, and which pillars their boundaries cut.

Fields are laid about the part's axis, as few as cover it, each as many whole pitches wide (and rows high)
as fit the writer's field, and moved by up to a pitch so that boundaries run midway between lattice
lines: a pillar's centre is never on one, and the pillar belongs to the field that holds its centre. On a square lattice neighbours leave room for the
boundary and no pillar is cut. On a hexagonal one odd rows stand half a pitch aside: lattice lines
along y are half a pitch apart, and a pillar wider than that reaches over a boundary beside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.coder import Coder
from layoutgen.exposure.part import Part
from layoutgen.kernels import kernel

__all__ = ["CutPillars", "FieldGrid", "cut_pillars", "field_grid"]

IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class FieldGrid:
    """Boundaries of one part's fields: x = first_x4 / 4 + k step_x, y likewise, in database units.

    Quarters of a database unit: midway between lattice lines of a hexagonal lattice.
    """

    first_x4: int
    first_y4: int
    step_x: int
    step_y: int


@dataclass(frozen=True, slots=True)
class CutPillars:
    """How many pillars of one part reach over a boundary, and the farthest of it, in database units."""

    count: int
    overhang: float


def field_grid(part: Part, write_field_dbu: float) -> FieldGrid:
    """The fields of a part: the largest whole number of pitches within the writer's field."""
    lattice = part.lattice
    half_x, half_y = part.domain.extent
    step_x = max(1, int(write_field_dbu // lattice.pitch_dbu)) * lattice.pitch_dbu
    step_y = max(1, int(write_field_dbu // lattice.row_dbu)) * lattice.row_dbu
    line = lattice.shift_dbu or lattice.pitch_dbu  # from one lattice line along y to the next
    return FieldGrid(
        _first4(half_x, step_x, lattice.x0_dbu, line),
        _first4(half_y, step_y, lattice.y0_dbu, lattice.row_dbu),
        step_x,
        step_y,
    )


def _first4(half: float, step: int, site: int, line: int) -> int:
    """The first boundary in quarters: that of fields about the axis, up to the next middle of two lines."""
    across = max(1, math.ceil(2 * half / step - 1e-9))
    wanted, middle = -2 * across * step, 4 * site + 2 * line
    return wanted + (middle - wanted) % (4 * line)


def cut_pillars(part: Part, coder: Coder, half_dbu: IntArray, grid: FieldGrid) -> CutPillars:
    """Pillars of a part that a boundary cuts.

    half_dbu: (codes + 1, 2), how far the shape of each code reaches from its centre along x and y; a shape
    is symmetric under the part's placements.
    """
    lattice = part.lattice
    line = lattice.shift_dbu or lattice.pitch_dbu
    if 2 * int(half_dbu[:, 0].max()) <= line and 2 * int(half_dbu[:, 1].max()) <= lattice.row_dbu:
        return CutPillars(0, 0.0)
    count, overhang4 = 0, 0
    for index, site in enumerate(part.sites):
        codes = coder.block(site, part.block(index)).codes
        if not codes.any():
            continue
        window = site.window
        for turns, mirror in part.pieces[site.piece].placements:
            cos, sin = ((1, 0), (0, 1), (-1, 0), (0, -1))[turns % 4]
            flip = -1 if mirror else 1
            matrix = np.array([cos, -sin * flip, sin, cos * flip], np.int64)
            cut, over = _cut(
                codes, lattice.x0_dbu + window.col0 * lattice.pitch_dbu,
                lattice.y0_dbu + window.row0 * lattice.row_dbu, window.row0 & 1, lattice.pitch_dbu,
                lattice.row_dbu, lattice.shift_dbu, matrix, half_dbu, grid.first_x4, grid.first_y4,
                4 * grid.step_x, 4 * grid.step_y,
            )  # fmt: skip
            count += int(cut)
            overhang4 = max(overhang4, int(over))
    return CutPillars(count, overhang4 / 4)


@kernel
def _cut(
    codes: Any, x0: int, y0: int, odd0: int, pitch: int, row: int, shift: int, matrix: Any,
    half: Any, first_x4: int, first_y4: int, step_x4: int, step_y4: int,
) -> Any:  # fmt: skip  # pragma: no cover
    """Pillars cut and the largest overhang in quarters of a database unit."""
    count = 0
    worst = 0
    for r in range(codes.shape[0]):
        for c in range(codes.shape[1]):
            code = codes[r, c]
            if code == 0:
                continue
            sx = x0 + c * pitch + ((r + odd0) & 1) * shift
            sy = y0 + r * row
            x4 = 4 * (matrix[0] * sx + matrix[1] * sy)
            y4 = 4 * (matrix[2] * sx + matrix[3] * sy)
            # distance to the boundary on either side; the nearer one decides
            left = (x4 - first_x4) % step_x4
            low = (y4 - first_y4) % step_y4
            over = max(
                4 * half[code, 0] - min(left, step_x4 - left),
                4 * half[code, 1] - min(low, step_y4 - low),
            )
            if over > 0:
                count += 1
                worst = max(worst, over)
    return count, worst
