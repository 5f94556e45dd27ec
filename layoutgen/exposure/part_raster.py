"""The raster of one part: where its nodes stand, and how its blocks are deposited on them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.part import MasterArray, Part, Site
from layoutgen.exposure.raster import (
    CELL_UNIT,
    DEPOSIT_SCALE,
    SLOPE_UNIT,
    STEPS,
    Convolver,
    Grid,
    SingleArray,
    cell_weights,
    deposit,
    spline_weights,
    steps_per_node,
)
from layoutgen.exposure.scatter import ScatterTerm
from layoutgen.workers import run_in_order

__all__ = ["PartRaster"]

FloatArray = NDArray[np.float64]

_NO_COEF = np.zeros((1, 1), dtype=np.float32)
_DepositBlock = Callable[[Site, MasterArray, tuple[slice, slice], Sequence[FloatArray]], None]


class PartRaster:
    """The geometry of a part's raster and what is done on it: deposit, complete, convolve."""

    def __init__(self, part: Part, terms: tuple[ScatterTerm, ...], outer_dbu: float) -> None:
        """`outer_dbu`: how far beyond the part its density is wanted."""
        self.part = part
        lattice = part.lattice
        shortest = min(term.range_dbu for term in terms)
        nx, ny = steps_per_node(lattice, shortest)
        self.mirror_x = part.symmetry in ("octant", "quadrant", "half_x")
        self.mirror_y = part.symmetry in ("octant", "quadrant", "half_y")
        half_x, half_y = part.domain.extent
        far_x = int((half_x + outer_dbu) / (nx * lattice.pitch_dbu)) + 5
        far_y = int((half_y + outer_dbu) / (ny * lattice.row_dbu)) + 5
        i0 = -4 if self.mirror_x else -far_x
        j0 = -4 if self.mirror_y else -far_y
        self.nx, self.ny = nx, ny
        hx, hy = float(nx * lattice.pitch_dbu), float(ny * lattice.row_dbu)
        self.grid = Grid(hx, hy, i0, j0, far_x - i0 + 1, far_y - j0 + 1)
        self.convolver = Convolver(self.grid, terms, self.mirror_x, self.mirror_y)
        self.wx = spline_weights(nx, 1 << 12)
        self.wy = spline_weights(ny, 1 << 12)
        self.cell_x, self.cell_y = cell_weights(nx), cell_weights(ny)
        self.ux = spline_weights(nx, None).astype(np.float32)
        self.uy = (STEPS * spline_weights(ny, None)).astype(np.float32)
        self.gx0 = 1 if lattice.centre == "gap" else 0
        self.gx_odd = 1 if lattice.hexagonal else 0
        self.gy = 1 if lattice.y0_dbu else 0

    def gather(
        self, indices: Sequence[int], jobs: int, deposit_block: _DepositBlock
    ) -> tuple[FloatArray, FloatArray]:
        """Deposits of some blocks on `jobs` workers: areas and slopes on this raster's nodes.

        A block goes to a small raster of its own first. Sums of whole numbers are the same in any order.
        """
        areas, slopes = np.zeros(self.grid.shape), np.zeros(self.grid.shape)
        lock = Lock()

        def one(index: int) -> None:
            site = self.part.sites[index]
            window = self.window(site)
            shape = (window[0].stop - window[0].start, window[1].stop - window[1].start)
            small = np.zeros(shape), np.zeros(shape)
            deposit_block(site, self.part.block(index), window, small)
            with lock:
                areas[window] += small[0]
                slopes[window] += small[1]

        for _ in run_in_order(one, indices, jobs):
            pass
        return areas, slopes

    def window(self, site: Site) -> tuple[slice, slice]:
        """Rows and columns of the raster's arrays that a block's deposit can touch."""
        g, w = self.grid, site.window
        i = w.col0 // self.nx - 2 - g.i0, (w.col0 + w.cols) // self.nx + 4 - g.i0
        j = w.row0 // self.ny - 2 - g.j0, (w.row0 + w.rows) // self.ny + 4 - g.j0
        return (
            slice(max(j[0], 0), min(j[1], g.rows)),
            slice(max(i[0], 0), min(i[1], g.cols)),
        )

    def deposit(
        self,
        table: NDArray[np.int32],
        site: Site,
        masters: MasterArray,
        window: tuple[slice, slice],
        out: Sequence[FloatArray],
        *,
        coef: SingleArray | None = None,
        first: int = 0,
    ) -> None:
        """Deposit a block into the window's arrays.

        table: packed areas and slopes, (1, masters + 1); with the spline `coef` on the window's
        nodes, (density steps from `first` on, masters + 1), and each site is taken at its own density.
        """
        g = self.grid
        weight = len(self.part.pieces[site.piece].placements) / self.part.group_order
        lo, hi = site.runs
        here = _NO_COEF if coef is None else coef
        masters = np.require(masters, requirements="W")  # so that the kernel is compiled once
        deposit(
            masters, site.window.row0, site.window.col0, lo, hi, self.gx0, self.gx_odd, self.gy,
            self.nx, self.ny, self.wx, self.wy, self.cell_x, self.cell_y, self.ux, self.uy, here,
            np.float32(first), table, weight, out[0], out[1], g.i0 + window[1].start, g.j0 + window[0].start,
        )  # fmt: skip

    @property
    def fill_scale(self) -> float:
        """What turns a deposited area into the fraction of a node's own area."""
        return DEPOSIT_SCALE / (self.nx * self.ny)

    @property
    def slope_scale(self) -> float:
        """The same for slopes."""
        return 1.0 / (CELL_UNIT * CELL_UNIT * SLOPE_UNIT) / (self.nx * self.ny)

    def fill(self, sums: FloatArray) -> SingleArray:
        """Area fraction at the nodes from deposited areas, the part's images added."""
        found: SingleArray = (self.complete(sums) * self.fill_scale).astype(np.float32)
        return found

    def slope(self, slopes: FloatArray) -> SingleArray:
        """Area fraction per density at the nodes, likewise."""
        found: SingleArray = (self.complete(slopes) * self.slope_scale).astype(np.float32)
        return found

    def around(self, site: Site) -> tuple[slice, slice]:
        """Rows and columns of the raster's arrays that hold the nodes around a block's sites."""
        g, w = self.grid, site.window
        return (
            slice(max(w.row0 // self.ny - 1 - g.j0, 0), (w.row0 + w.rows) // self.ny + 3 - g.j0),
            slice(
                max((w.col0 - 1) // self.nx - 1 - g.i0, 0), (w.col0 + w.cols) // self.nx + 3 - g.i0
            ),
        )

    def complete(self, array: FloatArray) -> FloatArray:
        """Add up the images of a deposit under the part's symmetry, in place."""
        g = self.grid
        if self.part.symmetry == "octant":
            array += array.T.copy()
        if self.mirror_x:
            m = -g.i0
            array[:, : 2 * m + 1] += array[:, 2 * m :: -1].copy()
        if self.mirror_y:
            m = -g.j0
            array[: 2 * m + 1] += array[2 * m :: -1].copy()
        return array
