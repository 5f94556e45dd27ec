"""The fixed point of local density and bias for one part.

Drawn sizes depend on density and density on drawn sizes. With unrounded drawn sizes

    rho = K * area(master + bias(rho, master)) + what the surroundings add

contracts: a change of density moves a pillar by a few nm, which moves the density by some per cent
of that change. One pass over the sites deposits the area and its slope at a first density; then
the iteration runs on the coarse raster alone. Where the answer lies so far from the first density that
the slope no longer tells the area, those blocks are deposited again at their own density.

With `exposed: background` the sign turns: frames are exposed and the shapes are holes in them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from threading import Lock

import numba
import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.bias import DENSITY_STEPS, BiasTable
from layoutgen.exposure.part import MasterArray, Masters, Part, Site
from layoutgen.exposure.raster import (
    AREA_UNIT,
    DEPOSIT_SCALE,
    SLOPE_UNIT,
    STEPS,
    Convolver,
    Grid,
    SingleArray,
    coefficients,
    deposit,
    field_at,
    node_values,
    packed,
    spline_weights,
    steps_per_node,
)
from layoutgen.exposure.scatter import ScatterTerm
from layoutgen.lattice import Lattice
from layoutgen.workers import run_in_order

__all__ = ["Density", "Exposed", "PartRaster", "short_range_error", "solve"]

FloatArray = NDArray[np.float64]

#: The iteration stops when no node's density changes by more than this.
STOP = 1e-5
#: A block whose density ends farther than this from that of its deposit is deposited again: what
#: the slope misses, and what its box deposit smears, is then below 1e-5 of density.
NEAR = 0.03
_MAX_ROUNDS = 60
_NO_COEF = np.zeros((1, 1), dtype=np.float32)


@dataclass(frozen=True, eq=False, slots=True)
class Exposed:
    """What every part's density needs: kernel, bias table, tone, and the steps of density."""

    terms: tuple[ScatterTerm, ...]
    bias: BiasTable
    background: bool

    @property
    def reach_dbu(self) -> float:
        return max((term.reach_dbu for term in self.terms), default=0.0)


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
        self.ux = spline_weights(nx, None).astype(np.float32)
        self.uy = (STEPS * spline_weights(ny, None)).astype(np.float32)
        self.gx0 = 1 if lattice.centre == "gap" else 0
        self.gx_odd = 1 if lattice.hexagonal else 0
        self.gy = 1 if lattice.y0_dbu else 0

    def gather(
        self, indices: Sequence[int], count: int, jobs: int, deposit_block: _DepositBlock
    ) -> list[FloatArray]:
        """Deposits of some blocks on `jobs` workers, (count) arrays on this raster's nodes.

        A block goes to a small raster of its own first. Sums of whole numbers are the same in any order.
        """
        totals = [np.zeros(self.grid.shape) for _ in range(count)]
        lock = Lock()

        def one(index: int) -> None:
            site = self.part.sites[index]
            window = self.window(site)
            shape = (window[0].stop - window[0].start, window[1].stop - window[1].start)
            small = [np.zeros(shape) for _ in range(count)]
            deposit_block(site, self.part.block(index), window, small)
            with lock:
                for total, local in zip(totals, small, strict=True):
                    total[window] += local

        for _ in run_in_order(one, indices, jobs):
            pass
        return totals

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
        times: float,
        site: Site,
        masters: MasterArray,
        window: tuple[slice, slice],
        out: Sequence[FloatArray],
        *,
        coef: SingleArray | None = None,
        first: int = 0,
    ) -> None:
        """Deposit a block into the window's arrays; `times` -1 takes it back.

        table: packed areas and slopes, (1, masters + 1); with the spline `coef`, (density steps from
        `first` on, masters + 1), and each site is taken at its own density.
        """
        g = self.grid
        weight = times * len(self.part.pieces[site.piece].placements) / self.part.group_order
        lo, hi = site.runs
        here = _NO_COEF if coef is None else np.ascontiguousarray(coef[window])
        deposit(
            masters, site.window.row0, site.window.col0, lo, hi, self.gx0, self.gx_odd, self.gy,
            self.nx, self.ny, self.wx, self.wy, self.ux, self.uy, here, np.float32(first), table,
            weight, out[0], out[1], g.i0 + window[1].start, g.j0 + window[0].start,
        )  # fmt: skip

    def fill(self, sums: FloatArray) -> SingleArray:
        """Area fraction at the nodes from deposited areas, the part's images added."""
        scale = DEPOSIT_SCALE / (self.nx * self.ny)
        found: SingleArray = (self.complete(sums) * scale).astype(np.float32)
        return found

    def slope(self, slopes: FloatArray) -> SingleArray:
        """Area fraction per density at the nodes, likewise; a box spreads over four nodes."""
        scale = 0.25 / SLOPE_UNIT / (self.nx * self.ny)
        found: SingleArray = (self.complete(slopes) * scale).astype(np.float32)
        return found

    def largest_gap(self, site: Site, nodes: SingleArray, density: float) -> float:
        """The most that the nodes around a block differ from one density."""
        g, w = self.grid, site.window
        i = slice(
            max((w.col0 - 1) // self.nx - 1 - g.i0, 0), (w.col0 + w.cols) // self.nx + 3 - g.i0
        )
        j = slice(max(w.row0 // self.ny - 1 - g.j0, 0), (w.row0 + w.rows) // self.ny + 3 - g.j0)
        return float(np.max(np.abs(nodes[j, i] - density)))

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


@dataclass(eq=False, slots=True)
class Density:
    """Local density of a part as a spline on its raster, surroundings not in it.

    `coef` are spline coefficients of the part's own density, `area` the fill of its shapes at the
    nodes (negative when the background is exposed); `nodes` the whole density at the nodes,
    surroundings in it; `residual` the last change of the fixed point.
    """

    raster: PartRaster
    coef: SingleArray
    area: SingleArray
    nodes: SingleArray
    residual: float
    rounds: int
    _spread: list[tuple[SingleArray, Grid]] | None = None

    def shapes_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """What the part's shapes add at places x (cols,), y (rows,) from its axis; (rows, cols)."""
        if self._spread is None:
            self._spread = self.raster.convolver.spread(self.area)
        ax = np.abs(x) if self.raster.mirror_x else x
        ay = np.abs(y) if self.raster.mirror_y else y
        found = np.zeros((len(y), len(x)))
        for coef, grid in self._spread:
            found += field_at(coef, grid, ax, ay)
        return found


#: Largest density error of a raster on the lattice's own pitch, by range over pitch: seen against
#: direct sums over discs of 120 to 310 nm on 400 nm, square and hexagonal. A term of short range
#: sees single pillars, which nodes a pitch apart do not hold.
_SHORT_RANGE = {
    "gaussian": ((0.3, 5.3e-1), (0.6, 1.2e-1), (1.0, 1.4e-2), (1.5, 4.0e-3), (2.0, 1.5e-3),
                 (3.0, 4.7e-4), (4.0, 4.1e-4)),
    "exponential": ((0.3, 1.7e-1), (0.6, 3.4e-2), (1.0, 8.5e-3), (2.0, 1.1e-3), (3.0, 3.3e-4),
                    (4.0, 1.4e-4)),
    "power": ((0.3, 3.8e-1), (0.6, 1.2e-1), (1.0, 2.6e-2), (2.0, 1.9e-3), (3.0, 4.7e-4),
              (4.0, 4.0e-4)),
}  # fmt: skip


def short_range_error(terms: tuple[ScatterTerm, ...], lattice: Lattice) -> float:
    """An estimate of the density error that terms of short range make on a lattice."""
    total = 0.0
    for term in terms:
        ranges, errors = zip(*_SHORT_RANGE[term.term], strict=True)
        at = term.range_dbu / lattice.pitch_dbu
        if at <= ranges[-1]:
            seen = np.interp(math.log(at), np.log(ranges), np.log(errors))
            total += term.share * math.exp(float(seen))
    return total


def solve(
    part: Part,
    exposed: Exposed,
    site_area_nm2: float,
    *,
    raster: PartRaster,
    own_frame: SingleArray | None = None,
    around: SingleArray | None = None,
    jobs: int = 1,
) -> Density:
    """Density of a part at its fixed point.

    own_frame: area fraction of the part's own frame deposited on the nodes (background only).
    around: density that the surroundings add at the nodes.
    """
    first = _first_density(part, exposed, site_area_nm2)
    origin = np.float32(first / DENSITY_STEPS)
    table = AreaTable(part.masters, exposed.bias, site_area_nm2, first - 32, first + 32)
    flat = table.packed[32:33].copy()
    every = range(len(part.sites))
    sums, slopes = raster.gather(every, 2, jobs, partial(raster.deposit, flat, 1.0))
    constant, linear = raster.fill(sums), raster.slope(slopes)
    del sums, slopes
    start = np.full(raster.grid.shape, origin, dtype=np.float32)
    density = _iterate(
        raster, exposed, constant, [(linear, origin)], own_frame, around, start, NEAR / 10
    )
    again = [
        index
        for index, site in enumerate(part.sites)
        if raster.largest_gap(site, density.nodes, float(origin)) > NEAR
    ]
    forms: list[tuple[SingleArray, SingleArray | np.float32]] = [(linear, origin)]
    if again and exposed.bias.depends_on_density:
        # these blocks' deposits are taken back, to the last bit, and made at their own densities
        rows = AreaTable(part.masters, exposed.bias, site_area_nm2, *_span(density.nodes))
        coef = density.coef if around is None else density.coef + coefficients(around)
        back = raster.gather(again, 2, jobs, partial(raster.deposit, flat, -1.0))
        constant += raster.fill(back[0])
        linear += raster.slope(back[1])
        del back
        fresh = raster.gather(
            again, 2, jobs, partial(raster.deposit, rows.packed, 1.0, coef=coef, first=rows.d0)
        )
        constant += raster.fill(fresh[0])
        forms.append((raster.slope(fresh[1]), density.nodes))
        del fresh
    return _iterate(raster, exposed, constant, forms, own_frame, around, density.nodes, STOP)


def _first_density(part: Part, exposed: Exposed, site_area_nm2: float) -> int:
    """Density step of an endless array with this part's share of each master, before any bias."""
    if not len(part.masters):
        return 0
    fill = math.pi / 4 * part.masters.master_nm**2 / site_area_nm2
    mean = float(np.average(fill, weights=part.usage))
    return round(min(max(1 - mean if exposed.background else mean, 0.0), 1.0) * DENSITY_STEPS)


def _iterate(
    raster: PartRaster,
    exposed: Exposed,
    constant: SingleArray,
    forms: Sequence[tuple[SingleArray, SingleArray | np.float32]],
    own_frame: SingleArray | None,
    around: SingleArray | None,
    start: SingleArray,
    stop: float,
) -> Density:
    frame = 0.0 if own_frame is None else own_frame
    nodes, found = start.copy(), np.zeros_like(start)
    area, step, coef = np.zeros_like(start), np.zeros_like(start), np.zeros_like(start)
    change, rounds = math.inf, 0
    while change >= stop and rounds < _MAX_ROUNDS:
        area[:] = constant
        for slopes, origin in forms:
            np.subtract(nodes, origin, out=step)
            step *= slopes
            area += step
        if exposed.background:
            np.subtract(frame, area, out=area)
        raster.convolver(area, out=coef)
        node_values(coef, out=found)
        if around is not None:
            found += around
        np.subtract(found, nodes, out=step)
        change = float(max(step.max(), -step.min()))
        nodes, found = found, nodes
        rounds += 1
    if exposed.background:
        area -= frame
    return Density(raster, coef, area, nodes, change, rounds)


def _span(nodes: SingleArray) -> tuple[int, int]:
    """Density steps that hold every node's density, with a margin for the spline between nodes."""
    low = math.floor(float(nodes.min()) * DENSITY_STEPS) - 82
    high = math.ceil(float(nodes.max()) * DENSITY_STEPS) + 82
    return low, high
