"""The two scripts that ours is measured against: what a user writes by hand with gdstk.

A. One polygon per pillar: the first thing that comes to mind.
B. One explicit repetition per diameter and 500 um block over a quadrant, the quadrant placed
   four times: about the best that can be had from a general library.

Both draw a hyperbolic lens on a square lattice in 100 diameters from 100 to 199 nm, as octagons,
with the axis between four pillars. Neither corrects for density. Lengths are micrometres.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import gdstk
import numpy as np
from numpy.typing import NDArray

__all__ = ["write_per_diameter", "write_per_pillar"]

CODES = 100
OUTSIDE = 255
BLOCK_UM = 500.0


def half_um(code: int) -> float:
    """Circumradius of the octagon of a code."""
    return 0.05 + 0.0005 * code


def wrapped_codes(
    r2: NDArray[np.float64], focal_um: float, wavelength_um: float
) -> NDArray[np.uint8]:
    """Phase modulo one turn in hundredths."""
    turns = -(np.sqrt(r2 + focal_um * focal_um) - focal_um) / wavelength_um
    return ((turns - np.floor(turns)) * CODES).astype(np.uint8)


def write_per_pillar(
    out: Path, *, aperture_um: float, pitch_um: float, focal_um: float, wavelength_um: float
) -> int:
    """Write lens A and return its number of pillars."""
    radius = aperture_um / 2
    n = int(radius / pitch_um)
    axis = (np.arange(-n, n) + 0.5) * pitch_um
    x, y = np.meshgrid(axis, axis)
    inside = x * x + y * y <= radius * radius
    x, y = x[inside], y[inside]
    codes = wrapped_codes(x * x + y * y, focal_um, wavelength_um)
    library = gdstk.Library(unit=1e-6, precision=1e-9)
    lens = library.new_cell("LENS")
    for px, py, code in zip(x, y, codes.astype(int), strict=True):
        lens.add(gdstk.regular_polygon((px, py), half_um(code), 8))
    library.write_oas(str(out))
    return len(x)


def write_per_diameter(
    out: Path, *, aperture_um: float, pitch_um: float, focal_um: float, wavelength_um: float
) -> int:
    """Write lens B and return its number of pillars."""
    radius = aperture_um / 2
    n = int(radius / pitch_um)
    side = max(1, int(BLOCK_UM / pitch_um))
    angles = np.pi / 8 + np.pi / 4 * np.arange(8)
    library = gdstk.Library(unit=1e-6, precision=1e-9)
    quadrant = library.new_cell("QUADRANT")
    stored = 0
    for row0 in range(0, n, side):
        for col0 in range(0, n, side):
            y = (np.arange(row0, min(row0 + side, n)) + 0.5) * pitch_um
            x = (np.arange(col0, min(col0 + side, n)) + 0.5) * pitch_um
            r2 = (x * x)[None, :] + (y * y)[:, None]
            code = wrapped_codes(r2, focal_um, wavelength_um)
            code[r2 > radius * radius] = OUTSIDE
            order = np.argsort(code.ravel(), kind="stable")
            bounds = np.searchsorted(code.ravel()[order], np.arange(CODES + 1))
            block = library.new_cell(f"B{row0}_{col0}")
            for k in range(CODES):
                rows, cols = np.divmod(order[bounds[k] : bounds[k + 1]], code.shape[1])
                if not len(rows):
                    continue
                stored += len(rows)
                block.add(repeated_octagon(half_um(k) * np.exp(1j * angles), x, y, rows, cols))
            quadrant.add(gdstk.Reference(block))
    lens = library.new_cell("LENS")
    for rotation, mirrored in ((0, False), (0, True), (np.pi, False), (np.pi, True)):
        lens.add(gdstk.Reference(quadrant, rotation=rotation, x_reflection=mirrored))
    library.write_oas(str(out))
    return 4 * stored


def repeated_octagon(
    outline: NDArray[np.complex128],
    x: NDArray[np.floating[Any]],
    y: NDArray[np.floating[Any]],
    rows: NDArray[np.int64],
    cols: NDArray[np.int64],
) -> Any:
    """One polygon that stands on the first of the sites and is repeated on the others."""
    polygon = gdstk.Polygon(list(zip(outline.real, outline.imag, strict=True)))
    polygon.translate(x[cols[0]], y[rows[0]])
    if len(rows) > 1:
        offsets = (x[cols] - x[cols[0]]) + 1j * (y[rows] - y[rows[0]])
        polygon.repetition = gdstk.Repetition(offsets=offsets[1:])
    return polygon
