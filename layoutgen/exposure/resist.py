"""The exposure model: what the beam leaves at a place, and where the resist's threshold lies.

The energy at a place is the exposed pattern convolved with a forward Gaussian of range alpha and weight
1, and with backscatter terms of weights eta_j, all divided by 1 + sum eta_j (`exposure.scatter` has the
terms). The backscatter terms reach over many pillars, so over one pillar their sum is even and is all
told by the local density rho (exposed pattern convolved with the backscatter terms alone):

    shapes exposed       e = dose * (F + eta rho) / (1 + eta),        eta = sum eta_j
    background exposed   e = dose * (1 - F + eta rho) / (1 + eta)

F is what forward scattering leaves of the drawn shape and of its neighbours on the lattice if these are
exposed. One disc of radius R leaves at distance r

    F(r) = 1 - Q1(sqrt2 r / alpha, sqrt2 R / alpha),    F(R) = (1 - exp(-x) I0(x)) / 2,  x = 2 R^2 / alpha^2

with Q1 Marcum's function; a square leaves a product of error functions. The resist's edge is where e
crosses a threshold; the printed diameter is that of the disc of the area inside.

What the words of the recipe are taken to mean:

- A pillar at (rho, d) stands on the part's lattice among neighbours of its own size. Their forward dose
  counts while the gap is within `NEAR` alpha; their backscatter is in rho.
- The reference array is such a pillar at `reference.density` and `reference.diameter`, on the same lattice:
  drawn at that diameter, it prints at that diameter. So the bias at the reference is zero. A reference
  that does not fit on the lattice, or runs into its neighbours there, is taken alone.
- An octagon is taken as a disc. The area that a closed outline loses to blur is pi alpha^2 / 2, whatever
  its shape; but an octagon's outline is 2.7 % longer than a disc's, and so is what the dose moves its area
  by: 0.1 nm of a bias of 5 nm. Squares are taken as squares.

Lengths are nm, diameters those of the disc of equal area, energies those of an endless exposed area.
Sources: T. H. P. Chang, J. Vac. Sci. Technol. 12, 1271 (1975), the two-Gaussian form; J. I. Marcum, IRE
Trans. Inf. Theory 6, 59 (1960), Q1 (from memory); Merriman, Bence and Osher (1992), curvature (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from layoutgen.exposure.scatter import ScatterTerm
from layoutgen.lattice import Lattice
from layoutgen.recipe.model import Exposure
from layoutgen.units import SQUARE_SIDE

__all__ = ["NEAR", "Cell", "ExposureModel", "disc_share", "lone_disc_energy"]

FloatArray = NDArray[np.float64]

#: Gaps over this many alpha leave erfc(4.5) / 2 = 1e-10 of a neighbour's forward dose.
NEAR = 4.5
#: Directions in a quadrant in which the edge is sought, midpoints on a periodic function. Twelve leave
#: the lattice's harmonics from the 48th on, 0.1 nm where pillars all but meet; corners need more.
_DIRECTIONS = 12
_DIRECTIONS_SQUARE = 48
#: From this share of the neighbours' distance on alpha is so large that two dozen of them count.
_BLURRED = 0.2
#: Waves that the Gaussian passes less of are left out.
_WAVE_LEAST = 1e-11
_ROUNDS = 80
#: Newton's method settles in five or six; what does not in these is sought between bounds.
_NEWTON_ROUNDS = 15
#: Each round squares what is off: after a step this short the size is right to far less.
_SETTLED_NM = 1e-6
_EDGE_TOLERANCE_NM = 1e-8


def _gaussian_disc(r: FloatArray, radius: FloatArray, b: float) -> FloatArray:
    """1 - Q1(sqrt2 r / b, sqrt2 radius / b): a normalised Gaussian over a disc, at distance r."""
    from scipy.special import chndtr

    # the distribution function of a noncentral chi-square with two degrees of freedom
    return np.asarray(chndtr(2 * (radius / b) ** 2, 2.0, 2 * (r / b) ** 2), dtype=np.float64)


def disc_share(term: ScatterTerm, r_nm: ArrayLike, diameter_nm: ArrayLike) -> FloatArray:
    """What one normalised term leaves at distance r of a disc, term in nm; broadcast.

    Exact for the Gaussian. The others are an integral over the disc's edge: with q from the place to the
    edge, (1 / 2 pi) times the integral of (1 - outside(|q|)) over the angle of q.
    """
    r = np.abs(np.asarray(r_nm, dtype=np.float64))
    radius = np.asarray(diameter_nm, dtype=np.float64) / 2
    r, radius = np.broadcast_arrays(r, radius)
    if term.term == "gaussian":
        return _gaussian_disc(r, radius, term.range_dbu)
    # nodes crowd at the edge's nearest point, where a short term has its peak
    node, weight = np.polynomial.legendre.leggauss(200)
    u = (node + 1) / 2
    t, dt = math.pi * u**3, weight / 2 * 3 * math.pi * u**2
    r, radius = r[..., None], radius[..., None]
    # |q|^2 in a form that does not cancel where r is close to the radius
    q2 = (radius - r) ** 2 + 4 * radius * r * np.sin(t / 2) ** 2
    turn = radius * ((radius - r) + 2 * r * np.sin(t / 2) ** 2)
    safe = np.where(q2 > 0, q2, 1.0)
    inside = np.where(q2 > 0, 1 - term.outside_at(np.sqrt(safe)), 0.0)
    found: FloatArray = (inside * turn / safe) @ dt / math.pi
    return found


def lone_disc_energy(
    r_nm: ArrayLike,
    diameter_nm: ArrayLike,
    *,
    alpha_nm: float,
    backscatter: Sequence[ScatterTerm],
    eta: float,
) -> FloatArray:
    """Energy at distance r from a lone exposed disc, every term exact; `backscatter` in nm, shares sum to 1."""
    total = disc_share(ScatterTerm("gaussian", alpha_nm, 1.0), r_nm, diameter_nm)
    for term in backscatter:
        total = total + eta * term.share * disc_share(term, r_nm, diameter_nm)
    return total / (1 + eta)


@dataclass(frozen=True, slots=True)
class Cell:
    """A lattice in nm: distance along a row, from row to row, and how far odd rows are shifted."""

    pitch: float
    row: float
    shift: float

    @property
    def nearest(self) -> float:
        """Distance of the nearest neighbours."""
        return min(self.pitch, math.hypot(self.shift, self.row))

    def neighbours(self, alpha_nm: float) -> FloatArray:
        """Lattice points (n, 2) around a pillar whose forward dose may count, nearest first.

        In a pillar's own cell the middle of a neighbour at p is at least |p| / 2 away and its edge, were
        it as large as can be, half the nearest neighbour's distance less.
        """
        reach = self.nearest + 2 * NEAR * alpha_nm + 1e-6
        rows, cols = int(reach / self.row) + 1, int(reach / self.pitch) + 2
        row, col = np.mgrid[-rows : rows + 1, -cols : cols + 1]
        x, y = (col * self.pitch + (row & 1) * self.shift).ravel(), (row * self.row).ravel()
        distance = np.hypot(x, y)
        kept = (distance > 0) & (distance <= reach)
        order = np.lexsort((x[kept], y[kept], distance[kept]))
        return np.stack([x[kept], y[kept]], axis=1)[order]

    def waves(self, alpha_nm: float) -> FloatArray:
        """Wave vectors (n, 2) of the lattice, one of each pair +-k, that a Gaussian of range alpha passes."""
        most = 2 / alpha_nm * math.sqrt(-math.log(_WAVE_LEAST))
        step_x, step_y = 2 * math.pi / self.pitch, 2 * math.pi / self.row
        lean = step_y * self.shift / self.pitch
        m, n = int(most / step_x) + 1, int((most + lean * most / step_x) / step_y) + 2
        i, j = np.mgrid[0 : m + 1, -n : n + 1]
        kx, ky = (i * step_x).ravel(), (j * step_y - i * lean).ravel()
        half = (i.ravel() > 0) | (j.ravel() > 0)
        kept = half & (np.hypot(kx, ky) <= most)
        return np.stack([kx[kept], ky[kept]], axis=1)


@dataclass(frozen=True, eq=False)
class ExposureModel:
    """Forward range, backscatter, tone and base dose of one part; arrays of any shape that broadcast.

    `cell` is the lattice that the pillar stands on, None for a lone one. `needed` is the forward dose at
    the edge of the reference, `reference_density` its density: they fix the threshold.
    """

    alpha_nm: float
    eta: float
    background: bool
    squares: bool
    cell: Cell | None
    needed: float
    reference_density: float
    reference_nm: float
    reference_alone: bool

    @classmethod
    def of(
        cls, exposure: Exposure, lattice: Lattice, dbu_nm: float, *, squares: bool
    ) -> ExposureModel:
        """The model of a recipe's exposure on a lattice.

        ValueError ("want ..., got ...") without forward range or reference, with a forward range in which
        the lattice is lost (at alpha = pitch its contrast is 4 exp(-pi^2), 2e-4), and with a reference
        below the forward range (its middle has a fifth more than its edge).
        """
        alpha, reference = exposure.forward_range_nm, exposure.reference
        if alpha is None or reference is None:
            raise ValueError("want forward_range and reference, got nothing")
        if alpha > lattice.pitch_dbu * dbu_nm:
            raise ValueError(
                f"want a forward_range below the pitch, {lattice.pitch_dbu * dbu_nm:g} nm, got"
                f" {alpha:g} nm"
            )
        if reference.diameter_nm < alpha:
            raise ValueError(
                f"want a reference that prints, at least as wide as forward_range, {alpha:g} nm, got"
                f" {reference.diameter_nm:g} nm"
            )
        pitch, row, shift = (
            steps * dbu_nm for steps in (lattice.pitch_dbu, lattice.row_dbu, lattice.shift_dbu)
        )
        blank = cls(
            alpha, sum(term.ratio for term in exposure.backscatter),
            exposure.exposed == "background", squares, Cell(pitch, row, shift), 0.0,
            reference.density, reference.diameter_nm, False,
        )  # fmt: skip
        size = np.array(reference.diameter_nm)
        needed = float(blank.forward_to_size(size))
        alone = not math.isfinite(needed)
        if alone:
            needed = float(blank.lone().forward_to_size(size))
        return replace(blank, needed=needed, reference_alone=alone)

    def lone(self) -> ExposureModel:
        """The same base dose for a pillar without neighbours."""
        return replace(self, cell=None)

    # --- energies ------------------------------------------------------------------------------

    @property
    def threshold(self) -> float:
        """Energy at which the resist turns."""
        own = 1 - self.needed if self.background else self.needed
        return (own + self.eta * self.reference_density) / (1 + self.eta)

    def energy(
        self, x_nm: ArrayLike, y_nm: ArrayLike, drawn_nm: ArrayLike, density: ArrayLike,
        dose: ArrayLike = 1.0,
    ) -> FloatArray:  # fmt: skip
        """Energy at (x, y) from the middle of a pillar among neighbours of its own drawn size."""
        forward = self.forward(x_nm, y_nm, drawn_nm)
        own = 1 - forward if self.background else forward
        found: FloatArray = (
            np.asarray(dose) * (own + self.eta * np.asarray(density)) / (1 + self.eta)
        )
        return found

    def forward(self, x_nm: ArrayLike, y_nm: ArrayLike, drawn_nm: ArrayLike) -> FloatArray:
        """F: forward dose of the shape and its neighbours as if they were exposed."""
        x, y, drawn = np.broadcast_arrays(
            np.asarray(x_nm, dtype=np.float64), np.asarray(y_nm, dtype=np.float64),
            np.asarray(drawn_nm, dtype=np.float64),
        )  # fmt: skip
        return self._forward(x, y, drawn, self._neighbours)

    def _forward(
        self, x: FloatArray, y: FloatArray, drawn: FloatArray, neighbours: FloatArray
    ) -> FloatArray:
        if self._blurred:
            return self._series(x, y, drawn)
        total = self._shape(x, y, drawn)
        for px, py in neighbours:
            total += self._shape(x - px, y - py, drawn)
        return total

    def _series(self, x: FloatArray, y: FloatArray, drawn: FloatArray) -> FloatArray:
        """The same on an endless lattice as a Fourier series: fill * sum of S(k) exp(-k^2 alpha^2 / 4) cos(k r).

        S is the shape's transform over its area, 2 J1(k R) / (k R) for a disc. Two dozen waves do where
        alpha is large, and as many neighbours would.
        """
        return self._series_slopes(x, y, drawn, value_alone=True)[0]

    def _series_slopes(
        self, x: FloatArray, y: FloatArray, drawn: FloatArray, value_alone: bool = False
    ) -> tuple[FloatArray, ...]:
        """The series, and unless its value alone is wanted its slopes along x, along y and with the drawn size."""
        from scipy.special import j0, j1

        assert self.cell is not None
        total, along_x, along_y, grows = np.ones(x.shape), *(np.zeros(x.shape) for _ in range(3))
        for kx, ky in self.cell.waves(self.alpha_nm):
            if self.squares:
                half = drawn * (SQUARE_SIDE / 2 / math.pi)
                a, b = np.sinc(kx * half), np.sinc(ky * half)
                shape = a * b
            else:
                u = np.maximum(math.hypot(kx, ky) / 2 * drawn, 1e-9)
                shape = 2 * j1(u) / u
            passed = 2 * math.exp(-(kx * kx + ky * ky) * self.alpha_nm**2 / 4)
            turn = kx * x + ky * y
            cos = np.cos(turn)
            total += passed * shape * cos
            if value_alone:
                continue
            sin = np.sin(turn)
            along_x -= passed * shape * kx * sin
            along_y -= passed * shape * ky * sin
            if self.squares:  # D d/dD of sinc is cos - sinc
                change = (np.cos(kx * half * math.pi) - a) * b + (
                    np.cos(ky * half * math.pi) - b
                ) * a
            else:
                change = 2 * (j0(u) - shape)  # -2 J2, of J1 and J0
            grows += passed * change * cos
        fill: FloatArray = math.pi / 4 * drawn**2 / (self.cell.pitch * self.cell.row)
        if value_alone:
            return (total * fill,)
        return total * fill, along_x * fill, along_y * fill, (2 * total + grows) * fill / drawn

    def _shape(self, x: FloatArray, y: FloatArray, drawn: FloatArray) -> FloatArray:
        if not self.squares:
            return _gaussian_disc(np.hypot(x, y), drawn / 2, self.alpha_nm)
        from scipy.special import erf

        half = drawn * SQUARE_SIDE / 2
        along = [
            (erf((v + half) / self.alpha_nm) - erf((v - half) / self.alpha_nm)) / 2 for v in (x, y)
        ]
        found: FloatArray = along[0] * along[1]
        return found

    def forward_needed(self, density: ArrayLike, dose: ArrayLike) -> FloatArray:
        """F at the edge of whatever prints at a density with a relative dose."""
        dose, rho = np.asarray(dose, dtype=np.float64), np.asarray(density, dtype=np.float64)
        level = self.threshold * (1 + self.eta) / dose - self.eta * rho
        return 1 - level if self.background else level

    # --- sizes ---------------------------------------------------------------------------------

    def printed_nm(
        self, density: ArrayLike, drawn_nm: ArrayLike, dose: ArrayLike = 1.0
    ) -> FloatArray:
        """Printed diameter; 0 where nothing prints, inf where pillars (holes) run into each other."""
        needed, drawn = np.broadcast_arrays(
            self.forward_needed(density, dose), np.asarray(drawn_nm, dtype=np.float64)
        )
        return self._contour(needed, drawn)

    def drawn_nm(
        self, density: ArrayLike, master_nm: ArrayLike, dose: ArrayLike = 1.0
    ) -> FloatArray:
        """The drawn diameter that prints at the master diameter; nan where none does."""
        needed, master = np.broadcast_arrays(
            self.forward_needed(density, dose), np.asarray(master_nm, dtype=np.float64)
        )
        shape, needed, master = needed.shape, needed.ravel(), master.ravel()
        drawn = self._drawn_alone(needed, master)
        if self.cell is None:
            return drawn.reshape(shape)
        # Neighbours add to the dose: what is drawn among them is smaller, and touches them at most.
        touching = self._nearest / (SQUARE_SIDE if self.squares else 1.0)
        high = np.minimum(drawn + 1e-6, touching)  # a little more, lest rounding hide the crossing
        at = np.flatnonzero(np.isfinite(drawn) & (master < touching) & self._meets(high))
        drawn[drawn >= touching] = np.nan
        drawn[at] = self._drawn_among(needed[at], master[at], high[at])
        at = at[~np.isfinite(drawn[at])]
        most = 2 * touching

        def miss(size: FloatArray, k: NDArray[np.intp]) -> FloatArray:
            found: FloatArray = (
                np.clip(self._contour(needed[at[k]], size), 0.0, most) - master[at[k]]
            )
            return found

        every = np.arange(len(at))
        above = miss(high[at], every)
        reached = above >= 0
        drawn[at[~reached]] = np.nan
        at, every = at[reached], np.arange(int(reached.sum()))
        near = 0.9 * high[at]
        low = np.where(miss(near, every) < 0, near, 0.0)
        found = _crossing(miss, low, high[at])
        # a pillar may run into its neighbours before it reaches its size
        drawn[at] = np.where(np.abs(miss(found, every)) < 1e-6, found, np.nan)
        return drawn.reshape(shape)

    def _drawn_among(self, needed: FloatArray, master: FloatArray, high: FloatArray) -> FloatArray:
        """What is drawn among neighbours, from all directions' edges at once; nan where that is not sure to be it.

        Newton's method for the drawn size and the edge's distance in every direction: F is `needed` at each edge,
        and the mean of their squares is that of half the master.
        """
        border = self._directions[2]
        drawn = high.copy()
        edge = np.minimum(np.tile(master[:, None] / 2, (1, len(border))), 0.95 * border)
        found, left = np.full(master.shape, np.nan), np.arange(len(master))
        neighbours = self._ahead(high)
        for _ in range(_NEWTON_ROUNDS):
            size, r = drawn[left], edge[left]
            forward, along, grows = self._slopes(r, size, neighbours)
            with np.errstate(divide="ignore", invalid="ignore"):
                # where the edge goes in each direction: to its level, and as the drawn size grows
                to_level, with_size = (needed[left, None] - forward) / along, -grows / along
                short = (master[left] / 2) ** 2 - np.mean(r * r + 2 * r * to_level, axis=1)
                more = short / np.mean(2 * r * with_size, axis=1)
                step = to_level + with_size * more[:, None]
            more = np.clip(more, -0.2 * size, 0.2 * size)
            step = np.clip(step, -0.5 * r, 0.5 * r)
            drawn[left], edge[left] = size + more, np.minimum(r + step, border)
            # the edges settle with the size; nan where the dose does not change along a direction
            done = np.abs(more) + np.abs(step).max(axis=1, initial=0.0) < _SETTLED_NM
            found[left[done]] = drawn[left[done]]
            left = left[~done & np.isfinite(more)]
            if not len(left):
                break
        # an edge that closes inside of the pillar's own cell, in a pillar no larger than a lone one
        sound = np.flatnonzero(found <= high)
        size = found[sound]
        sure = (edge[sound] < border - 1e-6).all(axis=1)
        sure &= (needed[sound] > self._border(size)) & (
            self.forward(0.0, 0.0, size) > needed[sound]
        )
        kept = np.full(master.shape, np.nan)
        kept[sound[sure]] = size[sure]
        return kept

    def _slopes(
        self, r: FloatArray, drawn: FloatArray, neighbours: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """F at distances r (n, directions), and how it grows along them and with the drawn size (n,)."""
        cos, sin, _ = self._directions
        x, y, size = r * cos, r * sin, drawn[:, None] + 0 * r
        if self._blurred:
            value, by_x, by_y, grows = self._series_slopes(x, y, size)
            return value, by_x * cos + by_y * sin, grows
        value, along, grows = np.zeros(r.shape), np.zeros(r.shape), np.zeros(r.shape)
        for px, py in np.concatenate([np.zeros((1, 2)), neighbours]):
            dx, dy = x - px, y - py
            value += self._shape(dx, dy, size)
            by_x, by_y, by_size = self._shape_slopes(dx, dy, size)
            along += by_x * cos + by_y * sin
            grows += by_size
        return value, along, grows

    def _shape_slopes(
        self, x: FloatArray, y: FloatArray, drawn: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """How F of one shape changes along x, along y and with its drawn size."""
        from scipy.special import erf, i0e, i1e

        b = self.alpha_nm
        if not self.squares:
            # the derivatives of Marcum's function: a Gaussian over the disc's edge
            r, radius = np.hypot(x, y), drawn / 2
            ring, z = 2 * radius / b**2 * np.exp(-(((r - radius) / b) ** 2)), 2 * r * radius / b**2
            outwards = -ring * i1e(z) / np.maximum(r, 1e-300)
            return outwards * x, outwards * y, ring * i0e(z) / 2
        half = drawn * SQUARE_SIDE / 2
        (vx, sx, gx), (vy, sy, gy) = (
            (
                (erf((v + half) / b) - erf((v - half) / b)) / 2,
                (up := np.exp(-(((v + half) / b) ** 2)))
                - (down := np.exp(-(((v - half) / b) ** 2))),
                up + down,
            )
            for v in (x, y)
        )
        scale = 1 / (b * math.sqrt(math.pi))
        return sx * vy * scale, sy * vx * scale, (gx * vy + gy * vx) * scale * SQUARE_SIDE / 2

    def _drawn_alone(self, needed: FloatArray, master: FloatArray) -> FloatArray:
        """The drawn diameter of lone shapes whose edges get `needed` where the masters' are; nan if none."""
        lone = self.lone()
        drawn = np.full(master.shape, np.nan)
        at = np.flatnonzero((needed > 0) & (needed < 1))
        # an edge 8 alpha inside of what is drawn has all the dose there is
        high = master[at] * (math.sqrt(2) if self.squares else 1.0) + 16 * self.alpha_nm
        if self.squares:

            def miss(size: FloatArray, k: NDArray[np.intp]) -> FloatArray:
                found = np.clip(lone._contour(needed[at[k]], size), 0.0, 2 * high[k])
                return found - master[at[k]]

        else:

            def miss(size: FloatArray, k: NDArray[np.intp]) -> FloatArray:
                return lone.forward(master[at[k]] / 2, 0.0, size) - needed[at[k]]

        reached = miss(high, np.arange(len(at))) >= 0
        at, high = at[reached], high[reached]
        drawn[at] = _crossing(miss, np.zeros(high.shape), high)
        return drawn

    def forward_to_size(self, drawn_nm: ArrayLike) -> FloatArray:
        """F at the edge where a shape prints exactly as it is drawn; nan where it cannot."""
        drawn = np.asarray(drawn_nm, dtype=np.float64)
        shape, drawn = drawn.shape, drawn.ravel()
        if not self.squares and not self._meets(drawn).any():
            return self.forward(drawn / 2, 0.0, drawn).reshape(shape)
        low, high = self._border(drawn), self.forward(0.0, 0.0, drawn)
        found = np.full(drawn.shape, np.nan)
        most = 4 * float(drawn.max(initial=0.0))

        def miss(needed: FloatArray, at: NDArray[np.intp]) -> FloatArray:
            return drawn[at] - np.clip(self._contour(needed, drawn[at]), 0.0, most)

        at = np.flatnonzero(low < high)
        level = _crossing(lambda n, k: miss(n, at[k]), low[at], high[at])
        found[at] = np.where(np.abs(miss(level, at)) < 1e-6, level, np.nan)
        return found.reshape(shape)

    def dose_to_size(self, density: ArrayLike, diameter_nm: ArrayLike) -> FloatArray:
        """The relative dose with which a shape of any diameter prints as it is drawn; nan where none does."""
        forward = self.forward_to_size(diameter_nm)
        own = 1 - forward if self.background else forward
        found: FloatArray = self.threshold * (1 + self.eta) / (own + self.eta * np.asarray(density))
        return found

    # --- the edge ------------------------------------------------------------------------------

    @cached_property
    def _neighbours(self) -> FloatArray:
        return np.zeros((0, 2)) if self.cell is None else self.cell.neighbours(self.alpha_nm)

    @property
    def _nearest(self) -> float:
        return math.inf if self.cell is None else self.cell.nearest

    @property
    def _blurred(self) -> bool:
        """Whether so many neighbours count that a series of waves is shorter."""
        return self.cell is not None and self.alpha_nm > _BLURRED * self.cell.nearest

    def _meets(self, drawn: FloatArray) -> NDArray[np.bool_]:
        """Which shapes come so close to their neighbours that their forward dose counts."""
        across = drawn * (SQUARE_SIDE * math.sqrt(2) if self.squares else 1.0)
        found: NDArray[np.bool_] = self._nearest - across < NEAR * self.alpha_nm
        return found

    @cached_property
    def _directions(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """cos and sin of directions in a quadrant, and how far the pillar's own cell reaches there."""
        count = _DIRECTIONS_SQUARE if self.squares else _DIRECTIONS
        angle = (np.arange(count) + 0.5) * (math.pi / 2 / count)
        cos, sin = np.cos(angle), np.sin(angle)
        border = np.full(count, np.inf)
        for px, py in self._neighbours:
            ahead = px * cos + py * sin
            half = np.where(
                ahead > 0, (px * px + py * py) / 2 / np.where(ahead > 0, ahead, 1), np.inf
            )
            border = np.minimum(border, half)
        return cos, sin, border

    def _ahead(self, drawn: FloatArray) -> FloatArray:
        """The neighbours but for those behind the pillar that leave nothing in the quadrant of directions."""
        x, y = self._neighbours.T
        across = drawn.max(initial=0.0) * (SQUARE_SIDE * math.sqrt(2) if self.squares else 1.0)
        behind = (x <= 0) & (y <= 0) & (np.hypot(x, y) - across / 2 > NEAR * self.alpha_nm)
        found: FloatArray = self._neighbours[~behind]
        return found

    def _border(self, drawn: FloatArray) -> FloatArray:
        """The most forward dose anywhere on the border of the pillar's cell; 0 for a lone pillar."""
        cos, sin, border = self._directions
        if not np.isfinite(border).all():
            return np.zeros(drawn.shape)
        # the middle between nearest neighbours is the first place to fill up
        middle = self._neighbours[0] / 2
        most = self.forward(middle[0], middle[1], drawn)
        for c, s, b in zip(cos, sin, border, strict=True):
            most = np.maximum(most, self.forward(b * c, b * s, drawn))
        return most

    def _contour(self, needed: FloatArray, drawn: FloatArray) -> FloatArray:
        """Equal-area diameter of where F crosses `needed`; 0 below it everywhere, inf above it everywhere."""
        shape, needed, drawn = np.shape(needed), np.ravel(needed), np.ravel(drawn)
        model = self
        if self.cell is not None and not self._meets(drawn).any():
            model = self.lone()
        cos, sin, border = model._directions
        if not model.squares and model.cell is None:
            cos, sin, border = np.ones(1), np.zeros(1), np.full(1, np.inf)  # the same all around
        prints = model.forward(0.0, 0.0, drawn) > needed
        merged = needed <= model._border(drawn)
        neighbours = model._ahead(drawn)
        found = np.where(prints, np.inf, 0.0)
        at = np.flatnonzero(prints & ~merged)
        size, level = drawn[at, None], needed[at, None]
        across = size * (SQUARE_SIDE * math.sqrt(2) if model.squares else 1.0)
        high = np.minimum(border, across / 2 + 12 * model.alpha_nm).ravel()
        count = len(cos)

        def excess(r: FloatArray, k: NDArray[np.intp]) -> FloatArray:
            i, j = k // count, k % count
            found: FloatArray = level[i, 0] - model._forward(
                r * cos[j], r * sin[j], size[i, 0], neighbours
            )
            return found

        edge = _crossing(excess, np.zeros(high.shape), high).reshape(len(at), count)
        found[at] = 2 * np.sqrt(np.mean(edge**2, axis=1))
        return found.reshape(shape)


def _crossing(
    function: Callable[[FloatArray, NDArray[np.intp]], FloatArray],
    low: FloatArray,
    high: FloatArray,
) -> FloatArray:
    """Where rising functions cross zero between low and high, (n,) each, to `_EDGE_TOLERANCE_NM`.

    function(x, k) gives the values of functions number k at x. Inverse quadratic steps where they are
    safe, else halves: T. R. Chandrupatla, Adv. Eng. Software 28, 145 (1997), from memory.
    """
    every = np.arange(len(low))
    a, b = high.astype(np.float64), low.astype(np.float64)
    c = a.copy()
    fa, fb = function(a, every), function(b, every)
    fc = fa.copy()
    t = np.full(len(low), 0.5)
    best = np.where(np.abs(fa) < np.abs(fb), a, b)
    active = every[(fa != 0) & (fb != 0)]
    for _ in range(_ROUNDS):
        if not len(active):
            break
        k = active
        x = a[k] + t[k] * (b[k] - a[k])
        fx = function(x, k)
        same = np.sign(fx) == np.sign(fa[k])
        c[k], fc[k] = np.where(same, a[k], b[k]), np.where(same, fa[k], fb[k])
        b[k], fb[k] = np.where(same, b[k], a[k]), np.where(same, fb[k], fa[k])
        a[k], fa[k] = x, fx
        best[k] = np.where(np.abs(fa[k]) < np.abs(fb[k]), a[k], b[k])
        width = np.abs(b[k] - a[k])
        least = np.minimum(0.5, _EDGE_TOLERANCE_NM / np.maximum(width, 1e-300))
        done = (fx == 0) | (width <= 2 * _EDGE_TOLERANCE_NM)
        with np.errstate(divide="ignore", invalid="ignore"):
            xi = (a[k] - b[k]) / (c[k] - b[k])
            phi = (fa[k] - fb[k]) / (fc[k] - fb[k])
            step = fa[k] / (fb[k] - fa[k]) * fc[k] / (fb[k] - fc[k]) + (c[k] - a[k]) / (
                b[k] - a[k]
            ) * fa[k] / (fc[k] - fa[k]) * fb[k] / (fc[k] - fb[k])
        quadratic = (phi**2 < xi) & ((1 - phi) ** 2 < 1 - xi) & np.isfinite(step)
        t[k] = np.clip(np.where(quadratic, step, 0.5), least, 1 - least)
        active = k[~done]
    return best
