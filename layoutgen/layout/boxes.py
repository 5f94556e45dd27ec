"""Bounding boxes of cells, in whole database units: x low, y low, x high, y high.

Pillars stand apart, so a pillar reaches at most half a step beyond its site: what a block of them reaches
is decided by its outermost rows and columns alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.codes import CodeBlock
from layoutgen.kernels import late_kernel
from layoutgen.lattice import Lattice
from layoutgen.layout.cells import Box, Reference

__all__ = ["joined", "pillar_box", "polygon_box", "shape_boxes", "turned"]

IntArray = NDArray[np.int64]


def polygon_box(polygon: IntArray) -> Box:
    """Box of a polygon, (n, 2)."""
    x0, y0 = polygon.min(axis=0).tolist()
    x1, y1 = polygon.max(axis=0).tolist()
    return x0, y0, x1, y1


def joined(a: Box | None, b: Box | None) -> Box | None:
    """The box of both; None is nothing."""
    if a is None or b is None:
        return a or b
    return min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3])


def turned(box: Box | None, reference: Reference) -> Box | None:
    """A cell's box where a reference places it."""
    if box is None:
        return None
    x0, y0, x1, y1 = box
    if reference.mirror:
        y0, y1 = -y1, -y0
    for _ in range(reference.turns % 4):
        x0, y0, x1, y1 = -y1, x0, -y0, x1
    return x0 + reference.x, y0 + reference.y, x1 + reference.x, y1 + reference.y


def shape_boxes(polygons: Sequence[IntArray], numbers: IntArray) -> IntArray:
    """Boxes of the shapes of a table's codes, (codes + 1, 4); row 0, an empty site, is not used."""
    found = np.zeros((len(numbers) + 1, 4), np.int64)
    for code, number in enumerate(numbers.tolist(), start=1):
        found[code] = polygon_box(polygons[number])
    return found


def pillar_box(block: CodeBlock, lattice: Lattice, extents: IntArray) -> Box:
    """Box of the pillars of a block that holds at least one; extents: see `shape_boxes`."""
    x0, y0, x1, y1 = _reach(
        block.codes, block.row0, block.col0, lattice.x0_dbu, lattice.y0_dbu, lattice.pitch_dbu,
        lattice.row_dbu, lattice.shift_dbu, extents,
    )  # fmt: skip
    return int(x0), int(y0), int(x1), int(y1)


@late_kernel(
    "(Array(uint8, 2, 'C', True), int64, int64, int64, int64, int64, int64, int64, int64[:, ::1])"
)
def _reach(
    codes: Any, row0: int, col0: int, x0: int, y0: int, pitch: int, row_step: int, shift: int,
    extents: Any,
) -> Any:  # fmt: skip  # pragma: no cover
    """Low and high x and y over the outermost rows and columns that hold a pillar.

    Two rows and columns each way: on a hexagonal lattice neighbouring rows are shifted.
    """
    rows, cols = codes.shape
    far = np.int64(1) << 61
    low_x, low_y, high_x, high_y = far, far, -far, -far
    found = 0
    for r in range(rows):
        held = False
        for c in range(cols):
            code = codes[r, c]
            if code:
                held = True
                low_y = min(low_y, y0 + (row0 + r) * row_step + extents[code, 1])
        found += held
        if found == 2:
            break
    found = 0
    for r in range(rows - 1, -1, -1):
        held = False
        for c in range(cols):
            code = codes[r, c]
            if code:
                held = True
                high_y = max(high_y, y0 + (row0 + r) * row_step + extents[code, 3])
        found += held
        if found == 2:
            break
    found = 0
    for c in range(cols):
        held = False
        for r in range(rows):
            code = codes[r, c]
            if code:
                held = True
                x = x0 + (col0 + c) * pitch + ((row0 + r) & 1) * shift
                low_x = min(low_x, x + extents[code, 0])
        found += held
        if found == 2:
            break
    found = 0
    for c in range(cols - 1, -1, -1):
        held = False
        for r in range(rows):
            code = codes[r, c]
            if code:
                held = True
                x = x0 + (col0 + c) * pitch + ((row0 + r) & 1) * shift
                high_x = max(high_x, x + extents[code, 2])
        found += held
        if found == 2:
            break
    return low_x, low_y, high_x, high_y
