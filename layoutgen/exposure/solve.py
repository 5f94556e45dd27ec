"""The fixed point of local density and bias for one part.

Drawn sizes depend on density and density on drawn sizes. With unrounded drawn sizes

    rho = K * area(master + bias(rho, master)) + what the surroundings add

contracts: a change of density moves a pillar by a few nm, which moves the density by some per cent
of that change. One pass over the sites deposits the area and its slope at a first density; then
the iteration runs on the coarse raster alone. Where straight lines tell every area at every density that
is all; else all sites are deposited once more, each at the density that came out, and settle from there.

A part that stands alone under one Gaussian term is settled in bands of rows (`bands`); several
terms, surroundings, and a part that others have to see take whole rasters.

With `exposed: background` the sign turns: frames are exposed and the shapes are holes in them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.exposure.area import AreaTable, Line, line_of
from layoutgen.exposure.bands import settled
from layoutgen.exposure.bias import DENSITY_STEPS, BiasTable
from layoutgen.exposure.part import MasterArray, Part, Site
from layoutgen.exposure.part_raster import PartRaster
from layoutgen.exposure.raster import (
    Grid,
    SingleArray,
    coefficients,
    field_at,
    node_values,
    single_taps,
    spline_basis,
)
from layoutgen.exposure.scatter import ScatterTerm
from layoutgen.exposure.spline_rows import SplineRows
from layoutgen.lattice import Lattice

__all__ = ["Density", "Exposed", "Frame", "short_range_error", "solve"]

FloatArray = NDArray[np.float64]

#: The iteration stops when one more round would change no node's density by more than this.
STOP = 1e-5
#: How far whole rasters settle before sites are deposited again, and what counts as settled at all.
_ROUGHLY = 3e-3
_MAX_ROUNDS = 60
#: Bands hold this many rows beyond their own at the most; a range under two pitches rings for a thousand.
_LONGEST_TAPS = 100
#: Passes in bands before whole rasters take over, each of two rounds more than the one before.
_PASSES = 4
#: How far the first density may lie from the last one, and what the rounds before a second deposit leave
#: of it. More costs another pass, nothing else.
_OFF, _LEFT = 0.3, 0.01
#: Areas that change faster with density than this take more rounds than bands of rows are good for.
_STEEP = 0.3
#: A change of density that no settling sequence shows; and what may be left of it at the end.
_NEVER, _UNSETTLED = 2.0, 1e-3
#: Tables of areas are made for whole multiples of this many density steps, so that few are made.
_TABLE_STEPS = 1024


@dataclass(frozen=True, eq=False, slots=True)
class Exposed:
    """What every part's density needs: kernel, bias table, tone, and the steps of density."""

    terms: tuple[ScatterTerm, ...]
    bias: BiasTable
    background: bool

    @property
    def reach_dbu(self) -> float:
        return max((term.reach_dbu for term in self.terms), default=0.0)


@dataclass(eq=False, slots=True)
class Density:
    """Local density of a part as a spline on its raster, surroundings not in it.

    `coef` are spline coefficients of the part's own density, `low` and `high` the least and the
    most of the whole density at the nodes, surroundings in it; `residual` is the most that one more
    round would change. `area` is the fill of the part's shapes at the nodes (negative when the background
    is exposed), where others have to see it.
    """

    raster: PartRaster
    coef: SplineRows
    low: float
    high: float
    residual: float
    rounds: int
    area: SingleArray | None = None
    _spread: list[list[tuple[SingleArray, Grid]]] | None = None
    _within_dbu: float = 0.0

    def window(self, site: Site) -> tuple[SingleArray, int, int]:
        """The coefficients around a block's sites, and the node (i0, j0) of the first of them."""
        g = self.raster.grid
        rows, cols = self.raster.window(site)
        i0, j0 = g.i0 + cols.start, g.j0 + rows.start
        return self.coef.window(i0, j0, cols.stop - cols.start, rows.stop - rows.start), i0, j0

    def at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """The part's own density at places (x, y) from its axis, arrays of one shape."""
        g = self.raster.grid
        u = np.abs(x) if self.raster.mirror_x else np.asarray(x, dtype=np.float64)
        v = np.abs(y) if self.raster.mirror_y else np.asarray(y, dtype=np.float64)
        if self.raster.part.symmetry == "octant":
            u, v = np.maximum(u, v), np.minimum(u, v)
        u, v = u / g.hx, v / g.hy
        i, j = np.floor(u).astype(np.int64), np.floor(v).astype(np.int64)
        across, down = spline_basis(u - i), spline_basis(v - j)
        found = np.zeros(np.shape(u))
        for s in range(4):
            for t in range(4):
                found += down[s] * across[t] * self.coef.nodes(i + t - 1, j + s - 1)
        return found

    def shapes_at(self, x: FloatArray, y: FloatArray, within_dbu: float = math.inf) -> FloatArray:
        """What the part's shapes add at places x (cols,), y (rows,) from its axis; (rows, cols).

        within_dbu: no place lies farther from the part than this: a term may reach a hundred times as far.
        """
        if self._spread is None or within_dbu > self._within_dbu:
            if self.area is None:
                raise RuntimeError("a part that others see is solved with seen=True")
            self._spread = self.raster.convolver.spread(self.area, within_dbu)
            self._within_dbu = within_dbu
        ax = np.abs(x) if self.raster.mirror_x else x
        ay = np.abs(y) if self.raster.mirror_y else y
        found = np.zeros((len(y), len(x)))
        for grids in self._spread:
            of_term = np.zeros_like(found)
            for coef, grid in grids:
                # a spline asks two nodes each way; the finest grid that has them comes last
                rows = np.flatnonzero(
                    (ay >= (grid.j0 + 2) * grid.hy) & (ay <= (grid.j0 + grid.rows - 3) * grid.hy)
                )
                cols = np.flatnonzero(
                    (ax >= (grid.i0 + 2) * grid.hx) & (ax <= (grid.i0 + grid.cols - 3) * grid.hx)
                )
                of_term[np.ix_(rows, cols)] = field_at(coef, grid, ax[cols], ay[rows])
            found += of_term
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


#: Gives the area fraction of a part's own frame on some nodes.
Frame = Callable[[Grid], SingleArray]


def solve(
    part: Part,
    exposed: Exposed,
    site_area_nm2: float,
    *,
    raster: PartRaster,
    frame: Frame | None = None,
    around: SingleArray | None = None,
    seen: bool = True,
    jobs: int = 1,
) -> Density:
    """Density of a part at its fixed point.

    frame: the part's own frame, when the background is exposed. around: density that the
    surroundings add at the nodes. seen: whether others ask what this part adds to theirs. InputError
    where the bias is so steep that it does not settle.
    """
    first = _first_density(part, exposed, site_area_nm2)
    others_add = 0.0 if around is None else float(around.max(initial=0.0))
    line = line_of(
        part.masters, exposed.bias, site_area_nm2, first, None if exposed.background else others_add
    )
    slopes = _slopes(part, exposed, site_area_nm2)
    (term, *others) = exposed.terms
    if (
        term.term == "gaussian" and not others and around is None and not seen
        and slopes[1] - slopes[0] < _STEEP
        and len(single_taps(term.range_dbu, raster.grid.hx)) <= _LONGEST_TAPS
    ):  # fmt: skip
        found = _in_bands(part, exposed, site_area_nm2, raster, frame, line, slopes, jobs)
        if found is not None:
            return found
    return _on_whole_rasters(part, exposed, site_area_nm2, raster, frame, around, line, jobs)


def _slopes(part: Part, exposed: Exposed, site_area_nm2: float) -> tuple[float, float]:
    """The least and the most, 0 among them, that a site's exposed area changes per unit of density."""
    bias, masters = exposed.bias, part.masters.master_nm
    if len(bias.densities) < 2 or not len(masters):
        return 0.0, 0.0
    slope = np.diff(bias.bias_nm, axis=0) / np.diff(bias.densities)[:, None]
    largest = float(masters.max()) + max(float(bias.bias_nm.max()), 0.0)
    scale = math.pi / 2 * largest / site_area_nm2
    low, high = scale * min(float(slope.min()), 0.0), scale * max(float(slope.max()), 0.0)
    return (-high, -low) if exposed.background else (low, high)


def round_weights(slopes: tuple[float, float], shrink: float, more: int = 0) -> tuple[float, ...]:
    """How far each round goes towards what it finds, so that an error shrinks to `shrink` of itself in few.

    A whole round multiplies an error, whatever its wavelength, by a number between the two slopes. The weights
    are those of Chebyshev's semi-iteration (Golub and Varga 1961): of all polynomials of their degree that are 1 at
    1, theirs is least between the slopes. The last round is whole. more: rounds on top of those that are needed.
    """
    middle, half = (slopes[0] + slopes[1]) / 2, (slopes[1] - slopes[0]) / 2
    steep = max(map(abs, slopes))
    relaxed = 0
    if half > 0:
        each = math.acosh((1 - middle) / half)
        while steep / math.cosh(relaxed * each) > shrink:
            relaxed += 1
    relaxed += more
    turns = ((2 * k + 1) * math.pi / (2 * relaxed) for k in range(relaxed))
    return *(1 / (1 - middle - half * math.cos(turn)) for turn in turns), 1.0


def _in_bands(
    part: Part, exposed: Exposed, site_area_nm2: float, raster: PartRaster, frame: Frame | None,
    line: Line, slopes: tuple[float, float], jobs: int,
) -> Density | None:  # fmt: skip
    """None where a few more rounds do not settle it: sites are deposited twice at the most."""
    tables: list[AreaTable] = []

    def table(low: float, high: float) -> AreaTable:
        d0, d1 = _span(low, high)
        if tables:
            if tables[0].d0 <= d0 and d1 < tables[0].d0 + len(tables[0].packed):
                return tables[0]
            d0, d1 = min(d0, tables[0].d0), max(d1, tables[0].d0 + len(tables[0].packed) - 1)
        d0, d1 = d0 // _TABLE_STEPS * _TABLE_STEPS, (d1 // _TABLE_STEPS + 1) * _TABLE_STEPS
        tables[:] = [AreaTable(part.masters, exposed.bias, site_area_nm2, d0, d1)]
        return tables[0]

    before = () if line.enough else round_weights(slopes, _LEFT)
    for more in range(0, 2 * _PASSES, 2):
        after = round_weights(slopes, STOP / (_OFF if line.enough else line.off), more)
        found = settled(
            raster, exposed.terms[0].range_dbu, line, weights=(before, after), table=table,
            frame=frame if exposed.background else None, jobs=jobs,
        )  # fmt: skip
        if found.residual < STOP:
            rounds = len(before) + len(after)
            return Density(raster, found.coef, found.low, found.high, found.residual, rounds)
    return None


def _on_whole_rasters(
    part: Part, exposed: Exposed, site_area_nm2: float, raster: PartRaster, frame: Frame | None,
    around: SingleArray | None, line: Line, jobs: int,
) -> Density:  # fmt: skip
    flat, origin = line.packed, line.origin
    every = range(len(part.sites))
    own_frame = None if frame is None else frame(raster.grid)
    sums, slopes = raster.gather(every, jobs, partial(raster.deposit, flat))
    constant, linear = raster.fill(sums), raster.slope(slopes)
    del sums, slopes
    start = np.full(raster.grid.shape, origin, dtype=np.float32)
    settled_ = _iterate(
        raster, exposed, constant, linear, origin, own_frame, around, start,
        STOP if line.enough else _ROUGHLY,
    )  # fmt: skip
    _refuse_unsettled(part, settled_.residual)
    nodes, last = settled_.nodes, settled_
    if not line.enough:
        span = _span(float(nodes.min()), float(nodes.max()))
        rows = AreaTable(part.masters, exposed.bias, site_area_nm2, *span)
        coef = settled_.coef if around is None else settled_.coef + coefficients(around)

        def deposit_again(
            site: Site, masters: MasterArray, window: tuple[slice, slice],
            out: Sequence[FloatArray],
        ) -> None:  # fmt: skip
            here = np.ascontiguousarray(coef[window])
            raster.deposit(rows.packed, site, masters, window, out, coef=here, first=rows.d0)

        sums, slopes = raster.gather(every, jobs, deposit_again)
        constant, linear = raster.fill(sums), raster.slope(slopes)
        del sums, slopes
        last = _iterate(raster, exposed, constant, linear, nodes, own_frame, around, nodes, STOP)
    _refuse_unsettled(part, last.residual)
    return Density(
        raster, SplineRows.of(last.coef, raster.grid.i0, raster.grid.j0), float(last.nodes.min()),
        float(last.nodes.max()), last.residual, last.rounds, last.area,
    )  # fmt: skip


def _refuse_unsettled(part: Part, residual: float) -> None:
    if not residual < max(_UNSETTLED, _ROUGHLY):
        raise InputError(
            f"exposure.bias_table: want a bias that changes slowly enough with density for sizes and"
            f" densities to settle, got one that does not in {part.name}"
        )


@dataclass(frozen=True, eq=False, slots=True)
class _Iterated:
    coef: SingleArray
    area: SingleArray
    nodes: SingleArray
    residual: float
    rounds: int


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
    slope: SingleArray,
    origin: SingleArray | np.float32,
    own_frame: SingleArray | None,
    around: SingleArray | None,
    start: SingleArray,
    stop: float,
) -> _Iterated:
    """Rounds until one more would change no node's area, and so no density, by `stop`."""
    frame = 0.0 if own_frame is None else own_frame
    nodes, found = start.copy(), np.zeros_like(start)
    area, step, coef = np.zeros_like(start), np.zeros_like(start), np.zeros_like(start)
    residual, rounds = math.inf, 0
    while residual >= stop and rounds < _MAX_ROUNDS:
        np.subtract(nodes, origin, out=area)
        area *= slope
        area += constant
        if exposed.background:
            np.subtract(frame, area, out=area)
        raster.convolver(area, out=coef)
        node_values(coef, out=found)
        if around is not None:
            found += around
        np.subtract(found, nodes, out=step)
        step *= slope
        residual = float(max(step.max(), -step.min()))
        nodes, found = found, nodes
        rounds += 1
        if not residual < _NEVER:
            break
    if exposed.background:
        area -= frame
    return _Iterated(coef, area, nodes, residual, rounds)


def _span(low: float, high: float) -> tuple[int, int]:
    """Density steps between two nodes' densities, with a margin for the spline between nodes."""
    return math.floor(low * DENSITY_STEPS) - 82, math.ceil(high * DENSITY_STEPS) + 82
