"""The field near a focus, summed over every pillar of a lens.

Behind the pillars the field at P = (X, Y, Z) is Rayleigh's first integral over the lens plane, in which
each pillar transmits its t evenly over its own cell of the lattice:

    U(P) = A / (i lambda) sum_j t_j s_j (Z / R_j^2) (1 + i / (k R_j)) exp(i k R_j)
    R_j = |P - r_j|,   s_j = sinc(p u_x / lambda) sinc(q u_y / lambda),   u = (P - r_j) / R_j

A is the area of a cell, p and q are its sides (pitch and row step). Then the power that passes a plane, the
integral of |U|^2, is the sum of A |t_j|^2 s_j^2: what s_j takes off went into the lattice's own orders. N
pillars to a turn of phase keep sinc^2(1 / N), the efficiency of an N-level grating.

Fifty million terms for each of a thousand points would be too many. Seen from near the point F at which the
light is expected, exp(i k (R_j(P) - R_j(F))) and all factors but the exact exp(i k R_j(F)) vary slowly over
the aperture. So every pillar gives t_j exp(i k R_j(F)) to the nodes of a grid over the aperture with the
weights of eight-point Lagrange interpolation in x and y, and the sum over nodes replaces the sum over
pillars: what is neglected is the error of interpolating the slow factor, below 1e-5 where its phase changes
by half a radian from node to node. The grid has the same few hundred nodes whatever the lens's size.

Lengths are um, on the part; phases are turns where a name says so. exp(-i w t). Sources: Born & Wolf,
Principles of Optics, section 8.11 (Rayleigh's integral); Swanson, MIT Lincoln Lab. Tech. Rep. 854 (1989)
(N levels); NIST DLMF 3.3 (Lagrange interpolation).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from layoutgen.kernels import inner, kernel
from layoutgen.workers import run_in_order

__all__ = ["FINE_NODES", "Beam", "FocalField", "LensSum", "Patch", "interpolation"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.int64]

#: Points of the interpolation: the error of eight is 1e-3 (phase per node)^8.
POINTS = 8
#: Nodes across the aperture of the grid that the pillars are summed on: light up to 64 lambda / (2 NA)
#: off the focus is kept, in half a million nodes.
FINE_NODES = 513
#: Radians of the slow factor from node to node: 5e-6 of error.
STEP_RAD = 0.5
#: Points evaluated together: their sums stay in a core's own cache.
_POINTS_AT_ONCE = 512


@dataclass(frozen=True, kw_only=True, slots=True)
class Beam:
    """One colour of light through a lens, and where it is expected to meet.

    wavelength_um: in the medium behind the lens. tilt: phase of the illumination, turns per um along x
    and y. source: x, y and distance of a point that lights the lens instead of a plane wave, and the
    wavelength there. focus_um: the point F.
    """

    wavelength_um: float
    focus_um: tuple[float, float, float]
    tilt: tuple[float, float] = (0.0, 0.0)
    source: tuple[float, float, float, float] | None = None

    @property
    def on_axis(self) -> bool:
        """Whether light and focus share every symmetry of the aperture."""
        lit = self.source is None or self.source[:2] == (0.0, 0.0)
        return lit and self.tilt == (0.0, 0.0) and self.focus_um[:2] == (0.0, 0.0)


@inner
def _turn(turns):  # type: ignore[no-untyped-def]  # pragma: no cover
    """cos and sin of 2 pi turns, to 1e-11: half the angle by its series, then doubled."""
    f = (turns - np.floor(turns + 0.5)) * 3.141592653589793
    w = f * f
    # 1 / k! with alternating signs; a division would cost more than all the rest
    s = f * (1.0 + w * (-1.6666666666666667e-1 + w * (8.3333333333333333e-3 + w * (
        -1.9841269841269841e-4 + w * (2.7557319223985891e-6 + w * (-2.5052108385441719e-8 + w * (
        1.6059043836821614e-10 + w * -7.6471637318198165e-13)))))))  # fmt: skip
    c = 1.0 + w * (-5e-1 + w * (4.1666666666666667e-2 + w * (-1.3888888888888889e-3 + w * (
        2.4801587301587302e-5 + w * (-2.7557319223985891e-7 + w * (2.0876756987868099e-9 + w * (
        -1.1470745597729725e-11 + w * 4.7794773323873853e-14)))))))  # fmt: skip
    return c * c - s * s, 2 * s * c


@inner
def _sinc(w):  # type: ignore[no-untyped-def]  # pragma: no cover
    """sin(v) / v from w = v^2, to 1e-6 up to v = 2; pi / 2 is where a lattice samples two pillars to a zone."""
    return 1.0 + w * (-1.6666666666666667e-1 + w * (8.3333333333333333e-3 + w * (
        -1.9841269841269841e-4 + w * (2.7557319223985891e-6 + w * -2.5052108385441719e-8))))  # fmt: skip


@kernel
def _deposit(  # type: ignore[no-untyped-def]
    states, real, imag, size, odd, x, first_x, weight_x, y, first_y, weight_y, inv_lambda,
    focus, tilt, source, out,
):  # fmt: skip  # pragma: no cover
    """Add a block of pillars to `out` (3, nodes in y, nodes in x): Re and Im of t exp(i k R), and |t|."""
    rows, cols = states.shape
    turns = np.zeros(cols)
    re, im, absolute = np.zeros(cols), np.zeros(cols), np.zeros(cols)
    line = np.zeros((3, out.shape[2]))
    for r in range(rows):
        p = odd[r]
        dy = y[r] - focus[1]
        across = dy * dy + focus[2] * focus[2]
        along = tilt[1] * y[r]
        for c in range(cols):
            dx = x[p, c] - focus[0]
            turns[c] = sqrt(dx * dx + across) * inv_lambda + tilt[0] * x[p, c] + along
        if source[3] > 0:
            far = (y[r] - source[1]) ** 2 + source[2] * source[2]
            for c in range(cols):
                dx = x[p, c] - source[0]
                turns[c] += sqrt(dx * dx + far) / source[3]
        for c in range(cols):
            cos, sin = _turn(turns[c])
            re[c], im[c] = cos, sin
        for c in range(cols):
            k = states[r, c]
            cos, sin = re[c], im[c]
            re[c] = real[k] * cos - imag[k] * sin
            im[c] = real[k] * sin + imag[k] * cos
            absolute[c] = size[k]
        line[:] = 0.0
        some = False
        for c in range(cols):
            if absolute[c] != 0.0:
                some = True
                i = first_x[p, c]
                for k in range(8):
                    w = weight_x[p, c, k]
                    line[0, i + k] += w * re[c]
                    line[1, i + k] += w * im[c]
                    line[2, i + k] += w * absolute[c]
        if some:
            for k in range(8):
                w = weight_y[r, k]
                j = first_y[r] + k
                for n in range(3):
                    for i in range(line.shape[1]):
                        out[n, j, i] += w * line[n, i]


@kernel
def _field(  # type: ignore[no-untyped-def]
    x, y, re, im, from_focus, inv_lambda, cell_x, cell_y, px, py, pz, out
):  # fmt: skip  # pragma: no cover
    """Add up all nodes at each point: `out` (2, points) gets Re and Im of U i lambda / A.

    cell_x is (pi p / lambda)^2, cell_y likewise."""
    soft = 0.15915494309189535 / inv_lambda  # 1 / k
    for b in range(x.size):
        for n in range(px.size):
            dx, dy = x[b] - px[n], y[b] - py[n]
            x2, y2 = dx * dx, dy * dy
            r2 = x2 + y2 + pz[n] * pz[n]
            r = sqrt(r2)
            cos, sin = _turn((r - from_focus[b]) * inv_lambda)
            per = 1.0 / r2
            cell = _sinc(cell_x * x2 * per) * _sinc(cell_y * y2 * per)
            near = soft * r * per
            a = pz[n] * per * cell
            c, s = a * (cos - sin * near), a * (sin + cos * near)
            out[0, n] += re[b] * c - im[b] * s
            out[1, n] += re[b] * s + im[b] * c


@kernel
def _spread(col, weight_x, row, weight_y, re, im, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Add points with weights in x and y of their own to a grid `out` (2, rows, cols)."""
    for n in range(re.size):
        for j in range(8):
            a, b = weight_y[n, j] * re[n], weight_y[n, j] * im[n]
            for i in range(8):
                w = weight_x[n, i]
                out[0, row[n] + j, col[n] + i] += w * a
                out[1, row[n] + j, col[n] + i] += w * b


def interpolation(at: FloatArray) -> tuple[IntArray, FloatArray]:
    """First node (n,) and weights (n, 8) of Lagrange interpolation at fractional node numbers `at`."""
    first = np.floor(at).astype(np.int64) - (POINTS // 2 - 1)
    t = at - first
    weights = np.ones((*at.shape, POINTS))
    for k in range(POINTS):
        for j in range(POINTS):
            if j != k:
                weights[..., k] *= (t - j) / (k - j)
    return first, weights


def _side(nodes: int) -> int:
    """Nodes along a side: those across the aperture, and a margin that holds the reach of two interpolations."""
    return nodes + 2 * POINTS


def _axis(half_um: float, nodes: int) -> FloatArray:
    """Places of the nodes along x or y."""
    step: float = 2 * half_um / (nodes - 1)
    found: FloatArray = np.arange(_side(nodes), dtype=np.float64)
    found -= (_side(nodes) - 1) / 2
    found *= step
    return found


@dataclass(frozen=True, eq=False, slots=True)
class Patch:
    """What a block of pillars adds to the grid: sums (3, rows, cols) from node (row, col) on."""

    row: int
    col: int
    sums: FloatArray


class LensSum:
    """A lens's pillars summed on the nodes of a grid over its aperture, for one beam.

    half_um: half the aperture. cell_um: sides of a pillar's cell. `sums` is (3, n, n): real and imaginary
    part of the sum of t exp(i k R(F) + the illumination's phase), and the sum of |t|.
    """

    def __init__(
        self, beam: Beam, half_um: float, cell_um: tuple[float, float], nodes: int = FINE_NODES
    ) -> None:
        self.beam, self.half_um, self.cell_um = beam, half_um, cell_um
        self.nodes = nodes
        self.step_um = 2 * half_um / (nodes - 1)
        self.axis_um = _axis(half_um, nodes)
        self.sums = np.zeros((3, len(self.axis_um), len(self.axis_um)))

    @staticmethod
    def bytes(nodes: int) -> int:
        """Memory that a lens takes at its most: sums of four pieces, plane waves, their transforms."""
        return _side(nodes) ** 2 * (3 * 8 * 5 + 16 * 2 + 8 * 6 + 16 * 4 * 2)

    def patch(
        self, states: NDArray[np.integer], t: ComplexArray, x_um: FloatArray, y_um: FloatArray,
        odd: NDArray[np.integer], shift_um: float = 0.0,
    ) -> Patch:  # fmt: skip
        """What a block adds. states (rows, cols) are indices into t, whose first entry is 0; x_um (cols,)
        on rows where `odd` (rows,) is 0, shift_um further on the others; y_um (rows,)."""
        x = np.stack([x_um, x_um + shift_um])
        first_x, weight_x = interpolation((x - self.axis_um[0]) / self.step_um)
        first_y, weight_y = interpolation((y_um - self.axis_um[0]) / self.step_um)
        # pillars on the rim may lie a rounding beyond it; empty sites of a block may lie anywhere
        last = len(self.axis_um) - POINTS
        first_x, first_y = np.clip(first_x, 0, last), np.clip(first_y, 0, last)
        col, row = int(first_x.min()), int(first_y.min())
        out = np.zeros((3, int(first_y.max()) - row + POINTS, int(first_x.max()) - col + POINTS))
        b = self.beam
        _deposit(
            np.ascontiguousarray(states, dtype=np.int32), np.ascontiguousarray(t.real), np.ascontiguousarray(t.imag),
            np.abs(t), odd.astype(np.int64), x, first_x - col, weight_x, y_um, first_y - row,
            weight_y, 1 / b.wavelength_um, np.array(b.focus_um), np.array(b.tilt),
            np.array(b.source or (0.0, 0.0, 0.0, 0.0)), out,
        )  # fmt: skip
        return Patch(row, col, out)

    def add(self, patch: Patch, sums: FloatArray | None = None) -> None:
        """Add a patch to the grid, or to another of its size."""
        total = self.sums if sums is None else sums
        _, rows, cols = patch.sums.shape
        total[:, patch.row : patch.row + rows, patch.col : patch.col + cols] += patch.sums

    def field(self, jobs: int = 1) -> FocalField:
        """The field that these pillars make."""
        return FocalField(
            self.beam, self.half_um, self.cell_um, self.axis_um,
            self.sums[0] + 1j * self.sums[1], self.sums[2].copy(), jobs,
        )  # fmt: skip


@dataclass(eq=False)
class FocalField:
    """The field near F, from sums on nodes: `light` (n, n) complex, [y, x], and `size` (n, n) of |t|."""

    beam: Beam
    half_um: float
    cell_um: tuple[float, float]
    axis_um: FloatArray
    light: ComplexArray
    size: FloatArray
    jobs: int = 1
    _coarse: dict[int, tuple[FloatArray, ComplexArray]] = field(default_factory=dict, repr=False)
    _sources: dict[int, tuple[FloatArray, ...]] = field(default_factory=dict, repr=False)

    @property
    def step_um(self) -> float:
        return float(self.axis_um[1] - self.axis_um[0])

    def nodes_for(self, reach_um: float, depth_um: float) -> int:
        """Nodes across the aperture that points this far from F across and along the axis need."""
        z = self.beam.focus_um[2]
        slope = (reach_um + depth_um * self.half_um / math.hypot(self.half_um, z)) / z
        nodes = 2 * self.half_um * slope / self.beam.wavelength_um * 2 * math.pi / STEP_RAD
        return max(33, 2 * math.ceil(nodes / 2) + 1)

    def grid(self, nodes: int) -> tuple[FloatArray, ComplexArray]:
        """Axis and light of about so many nodes across the aperture; the finest there are at the most."""
        nodes = 16 * math.ceil(nodes / 16) + 1  # few different ones
        if nodes >= len(self.axis_um) - 2 * POINTS:
            return self.axis_um, self.light
        if nodes not in self._coarse:
            from scipy.sparse import csr_array

            axis = _axis(self.half_um, nodes)
            first, weights = interpolation(
                (self.axis_um - axis[0]) / (2 * self.half_um / (nodes - 1))
            )
            first = np.clip(first, 0, len(axis) - POINTS)  # the margin's outer half is empty
            fine = np.repeat(np.arange(len(first)), POINTS)
            node = (first[:, None] + np.arange(POINTS)).ravel()
            # eight entries a column: a dense product would be twenty times the work
            to_coarse = csr_array((weights.ravel(), (node, fine)), (len(axis), len(first)))
            rows = np.asarray(to_coarse @ self.light, dtype=np.complex128)
            self._coarse[nodes] = axis, np.asarray(to_coarse @ rows.T, dtype=np.complex128).T
        return self._coarse[nodes]

    def sources(self, reach_um: float, depth_um: float) -> tuple[FloatArray, ...]:
        """x, y, Re, Im and R(F) of as many nodes as points so far from F need."""
        axis, light = self.grid(self.nodes_for(reach_um, depth_um))
        if len(axis) not in self._sources:
            y, x = np.meshgrid(axis, axis, indexing="ij")
            used = light != 0
            x, y, light = x[used], y[used], light[used]
            fx, fy, fz = self.beam.focus_um
            self._sources[len(axis)] = (
                x, y, np.ascontiguousarray(light.real), np.ascontiguousarray(light.imag),
                np.sqrt((x - fx) ** 2 + (y - fy) ** 2 + fz * fz),
            )  # fmt: skip
        return self._sources[len(axis)]

    def at(self, x_um: ArrayLike, y_um: ArrayLike, z_um: ArrayLike) -> ComplexArray:
        """U at points that broadcast, of their shape."""
        x, y, z = np.broadcast_arrays(
            *(np.asarray(v, dtype=np.float64) for v in (x_um, y_um, z_um))
        )
        shape = x.shape
        x, y, z = x.ravel(), y.ravel(), z.ravel()
        fx, fy, fz = self.beam.focus_um
        sources = self.sources(
            float(np.hypot(x - fx, y - fy).max(initial=0.0)),
            float(np.abs(z - fz).max(initial=0.0)),
        )
        inv_lambda = 1 / self.beam.wavelength_um
        factors = [inv_lambda, *((math.pi * side * inv_lambda) ** 2 for side in self.cell_um)]

        def some(points: slice) -> FloatArray:
            out = np.zeros((2, len(x[points])))
            _field(*sources, *factors, x[points], y[points], z[points], out)
            return out

        many = max(16, min(_POINTS_AT_ONCE, -(-len(x) // max(self.jobs, 1))))
        cuts = [slice(k, k + many) for k in range(0, len(x), many)]
        sums = list(run_in_order(some, cuts, self.jobs if len(cuts) > 1 else 1))
        out = np.concatenate([np.zeros((2, 0)), *sums], axis=1)
        scale = self.cell_um[0] * self.cell_um[1] * inv_lambda
        u: ComplexArray = ((out[0] + 1j * out[1]) * (-1j * scale)).reshape(shape)
        return u

    def in_phase(self) -> FocalField:
        """The field if every pillar's light met at F in phase: the same amplitudes without phase error."""
        return FocalField(
            self.beam, self.half_um, self.cell_um, self.axis_um, self.size.astype(np.complex128),
            self.size, self.jobs,
        )  # fmt: skip

    def moved(self, to_um: tuple[float, float, float]) -> FocalField:
        """The same field with F elsewhere: places near there then need few nodes."""
        x, y = np.meshgrid(self.axis_um, self.axis_um)
        fx, fy, fz = self.beam.focus_um
        before = np.sqrt((x - fx) ** 2 + (y - fy) ** 2 + fz * fz)
        after = np.sqrt((x - to_um[0]) ** 2 + (y - to_um[1]) ** 2 + to_um[2] ** 2)
        turns = (after - before) / self.beam.wavelength_um
        return FocalField(
            replace(self.beam, focus_um=to_um), self.half_um, self.cell_um, self.axis_um,
            self.light * np.exp(2j * math.pi * turns), self.size, self.jobs,
        )  # fmt: skip

    def pupil(
        self, at_um: tuple[float, float, float], nodes: int | None = None
    ) -> tuple[ComplexArray, float, tuple[float, float]]:
        """The plane waves that make up the field around a point: (n, n) over direction sines, [y, x], the
        step of the sines, and the sines of the first entry. What passes the point within half a wavelength
        over the step is in it."""
        axis, light = self.grid(len(self.axis_um) if nodes is None else nodes)
        x, y = np.meshgrid(axis, axis)
        used = light != 0
        dx, dy = x[used] - at_um[0], y[used] - at_um[1]
        r = np.sqrt(dx * dx + dy * dy + at_um[2] ** 2)
        fx, fy, fz = self.beam.focus_um
        from_focus = np.sqrt((x[used] - fx) ** 2 + (y[used] - fy) ** 2 + fz * fz)
        wavelength = self.beam.wavelength_um
        wave = 2 * math.pi / wavelength
        ux, uy = -dx / r, -dy / r
        cell = np.sinc(self.cell_um[0] * ux / wavelength) * np.sinc(
            self.cell_um[1] * uy / wavelength
        )
        waves = light[used] * np.exp(1j * wave * (r - from_focus)) * (1 + 1j / (wave * r))
        waves *= cell * at_um[2] / r**2
        step = max(float(np.ptp(ux)), float(np.ptp(uy))) / (len(axis) - 1)
        margin = POINTS // 2
        low_x, low_y = float(ux.min()) - margin * step, float(uy.min()) - margin * step
        first_x, weight_x = interpolation((ux - low_x) / step)
        first_y, weight_y = interpolation((uy - low_y) / step)
        side = len(axis) + POINTS + 1
        out = np.zeros((2, side, side))
        _spread(
            first_x, weight_x, first_y, weight_y, np.ascontiguousarray(waves.real),
            np.ascontiguousarray(waves.imag), out,
        )  # fmt: skip
        return out[0] + 1j * out[1], step, (low_x, low_y)
