"""A coarse raster of exposed area, and what the backscatter kernel makes of it.

Nodes stand at whole multiples of (hx, hy) from a part's axis, hx and hy whole multiples of the
lattice's steps and at most a quarter of the kernel's range. A site of area a adds a to the
nodes around it with cubic B-spline weights; the transform of the deposit is then that of the
sites times sinc^4, which the convolution divides out, and the result is kept as the
coefficients of a cubic B-spline, so that the density at any place is four by four products.

Deposits are sums of whole numbers held in float64 (below 2^53), so they do not depend on the
order in which blocks come, on how a part is cut, or on the processor.

B-splines: M. Unser, IEEE Signal Process. Mag. 16(6), 22 (1999).
Arrays are [row, col] = [y, x]. Lengths are database units.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.around import ROUNDED
from layoutgen.exposure.bias import DENSITY_STEPS
from layoutgen.exposure.scatter import ScatterTerm
from layoutgen.kernels import inner, kernel, late_kernel
from layoutgen.lattice import Lattice

__all__ = [
    "AREA_UNIT", "CELL_UNIT", "DEPOSIT_SCALE", "SLOPE_UNIT", "Convolver", "Grid", "assign", "cell_weights",
    "coefficients", "convolve_columns", "convolve_rows", "deposit", "field_at", "field_at_points",
    "node_taps", "node_values", "packed", "single_taps", "spline_basis", "spline_weights", "steps_per_node",
]  # fmt: skip

FloatArray = NDArray[np.float64]
#: Rasters past the deposit are single precision: 6e-8 of a density, and half the memory.
SingleArray = NDArray[np.float32]

#: One site area (pitch times row step) in the whole numbers that are deposited: 2^14, so a
#: rounding is 3e-5 of a site. With weights of 2^12 a column of 31 sites fits 31 bits, which vector
#: units multiply whole, and the sum of all stays below 2^53.
AREA_UNIT = 1 << 14
#: Slopes (site areas per unit of density) count in coarser units, so that they fit 16 bits.
SLOPE_UNIT = 1 << 12
_WEIGHT_UNIT = 1 << 12
#: Weights of a whole cell's slopes sum to this along each axis.
CELL_UNIT = 1 << 8
STEPS = float(DENSITY_STEPS)
#: Sites along a cell at the most: their weights on a node sum to their number times 2^12, and
#: 2^12 * 2^14 * 2^5 would be the sign bit.
MOST_STEPS = 31
#: What a part adds farther away than so many nodes is told on nodes two to this times as far apart.
_FAR_NODES, _FAR_LEVELS = 512, 3
#: What a deposited sum must be multiplied by to count in site areas.
DEPOSIT_SCALE = 1.0 / (AREA_UNIT * _WEIGHT_UNIT * _WEIGHT_UNIT)


@dataclass(frozen=True, slots=True)
class Grid:
    """Nodes at (i * hx, j * hy) from a part's axis, i from i0 and j from j0."""

    hx: float
    hy: float
    i0: int
    j0: int
    cols: int
    rows: int

    @property
    def shape(self) -> tuple[int, int]:
        return self.rows, self.cols

    def xs(self) -> FloatArray:
        return (self.i0 + np.arange(self.cols, dtype=np.float64)) * self.hx

    def ys(self) -> FloatArray:
        return (self.j0 + np.arange(self.rows, dtype=np.float64)) * self.hy


def steps_per_node(lattice: Lattice, shortest_range_dbu: float) -> tuple[int, int]:
    """Lattice steps from node to node: the most that keep hx and hy within range / 4."""
    quarter = shortest_range_dbu / 4
    nx = min(max(1, int(quarter / lattice.pitch_dbu)), MOST_STEPS)
    ny = min(max(1, int(quarter / lattice.row_dbu)), MOST_STEPS)
    return (nx, ny) if lattice.hexagonal else (nx, nx)


def spline_basis(f: FloatArray) -> FloatArray:
    """Weights of nodes -1, 0, 1, 2 at the fraction f of the way from node 0 to 1, on axis 0."""
    parts = [(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3]
    found: FloatArray = np.stack(parts, axis=0) / 6
    return found


def spline_weights(n: int, unit: int | None) -> FloatArray:
    """Cubic B-spline weights (2, 4, n), [g, node, s], of sites at (2 s + g) / (2 n) of a step.

    With `unit` they are whole numbers that sum to it, else exact to rounding.
    """
    at = (2 * np.arange(n)[None, :] + np.arange(2)[:, None]) / (2.0 * n)
    w = np.ascontiguousarray(np.moveaxis(spline_basis(at), 0, 1))  # one layout, one kernel
    if unit is None:
        return w
    whole = np.floor(w * unit + 0.5)
    # The largest weight takes what rounding left over: the sum is the site's area, exactly.
    largest = np.argmax(w, axis=1)[:, None]
    rest = unit - whole.sum(axis=1, keepdims=True)
    np.put_along_axis(whole, largest, np.take_along_axis(whole, largest, 1) + rest, 1)
    return whole


def cell_weights(n: int) -> FloatArray:
    """Weights (2, 2, 4), [g, 0], of sites on a node, and, [g, 1], the mean of all others of a cell.

    Whole numbers that sum to CELL_UNIT. What is deposited so keeps its place and its width, loses what
    varies within a cell, and comes out alike from a mirrored part. Sites between columns (g = 1) are
    never on a node.
    """
    w = spline_weights(n, None)
    inner = np.stack([w[0, :, 1:].mean(axis=1) if n > 1 else w[1].mean(axis=1), w[1].mean(axis=1)])
    found = np.floor(CELL_UNIT * np.stack([w[:, :, 0], inner], axis=1) + 0.5)
    found[:, 1, 1:3] = CELL_UNIT / 2 - found[:, 1, :1]  # what rounding left over, on both sides
    found[1, 0] = found[1, 1]
    found[0, 0, 1] = CELL_UNIT - 2 * found[0, 0, 0]
    return found


def packed(area: NDArray[np.integer], slope: NDArray[np.integer]) -> NDArray[np.int32]:
    """Area (whole AREA_UNITs, below 2^15) and slope (whole SLOPE_UNITs, 16 bits) in one number."""
    found: NDArray[np.int32] = (area.astype(np.int32) << 16) | (slope.astype(np.int32) & 0xFFFF)
    return found


# --- kernels ----------------------------------------------------------------------------------


@inner
def _add_line(line, w, acc0, acc1, acc2, acc3, box):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Add a row of packed areas and slopes to the column sums of the four node rows it weighs on."""
    w0 = np.int32(w[0])
    w1 = np.int32(w[1])
    w2 = np.int32(w[2])
    w3 = np.int32(w[3])
    sixteen = np.int32(16)
    for c in range(len(line)):  # two loops: with more arrays in one, vectors are given up
        v = line[c]
        area = v >> sixteen
        acc0[c] += w0 * area
        acc1[c] += w1 * area
        box[c] += np.int32(np.int16(v))
    for c in range(len(line)):
        area = line[c] >> sixteen
        acc2[c] += w2 * area
        acc3[c] += w3 * area


@inner
def _flush(acc, wx, first, n, i0, weight, row):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Hand the column sums of one node row to the raster's nodes, and clear them."""
    for i in range(len(acc) // n):
        a0 = 0.0
        a1 = 0.0
        a2 = 0.0
        a3 = 0.0
        at = i * n
        for s in range(n):
            v = np.float64(acc[at + s])
            a0 += wx[0, s] * v
            a1 += wx[1, s] * v
            a2 += wx[2, s] * v
            a3 += wx[3, s] * v
            acc[at + s] = 0
        k = first + i - i0
        row[k - 1] += weight * a0
        row[k] += weight * a1
        row[k + 1] += weight * a2
        row[k + 2] += weight * a3


@inner
def _flush_cells(box, first, n, i0, on, wx, wy, weight, slopes, row):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The same for slopes: sums over cells go to the nodes around, the lowest in row `row`.

    on: weights of a cell's first site; wx: of all others.
    """
    row0 = slopes[row]
    row1 = slopes[row + 1]
    row2 = slopes[row + 2]
    row3 = slopes[row + 3]
    for i in range(len(box) // n):
        at = i * n
        single = np.float64(box[at])
        rest = 0
        for s in range(1, n):
            rest += box[at + s]
        box[at : at + n] = 0
        total = np.float64(rest)
        k = first + i - i0
        for t in range(4):
            v = weight * (single * on[t] + total * wx[t])
            row0[k - 1 + t] += wy[0] * v
            row1[k - 1 + t] += wy[1] * v
            row2[k - 1 + t] += wy[2] * v
            row3[k - 1 + t] += wy[3] * v


@inner
def _across(coef, low, ux, first, n, i0, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The spline along the node rows from `low` on, at every column of the cells from `first` on."""
    for q in range(out.shape[0]):
        row = coef[low + q]
        here = out[q]
        for i in range(out.shape[1] // n):
            k = first + i - i0
            c0 = row[k - 1]
            c1 = row[k]
            c2 = row[k + 1]
            c3 = row[k + 2]
            at = i * n
            for s in range(n):
                here[at + s] = ux[0, s] * c0 + ux[1, s] * c1 + ux[2, s] * c2 + ux[3, s] * c3


@inner
def _along(u, row0, row1, row2, row3, rho):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The spline from node row to node row, for one row of sites."""
    u0 = u[0]
    u1 = u[1]
    u2 = u[2]
    u3 = u[3]
    for c in range(len(rho)):
        rho[c] = (u0 * row0[c] + u1 * row1[c]) + (u2 * row2[c] + u3 * row3[c])


@inner
def _density_steps(rho, q0, top, step):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Which row of a table that starts at density step q0 and ends `top` rows later."""
    low = np.float32(0.0)
    half = np.float32(0.5)
    for c in range(len(rho)):
        v = np.floor(rho[c] + half) - q0
        v = v if v > low else low
        step[c] = np.int32(v if v < top else top)


@kernel
def deposit(  # type: ignore[no-untyped-def]
    masters, row0, col0, lo, hi, gx0, gx_odd, gy, nx, ny, wx, wy, cell_x, cell_y, ux, uy, coef, q0,
    table, weight, sums, slopes, i0, j0,
):  # fmt: skip  # pragma: no cover
    """Add a block of master indices (0 = empty) to `sums` (site by site) and `slopes` (cell by cell).

    lo, hi are block columns for each row. table[density step - q0, index] is what `packed` makes of
    area and slope; with a single row the density is not asked for, else it is the spline `coef`
    with the weights ux, uy (in density steps) on the nodes of `sums`.

    Sums run down the columns first, where vector units take many columns at once, and then, once
    for each row of nodes, along them.
    """
    rows, cols = masters.shape
    line = np.zeros(cols, np.int32)
    rho = np.zeros(cols, np.float32)
    step = np.zeros(cols, np.int32)
    top = np.float32(table.shape[0] - 1)
    kinds = np.uint32(table.shape[1])
    flat = table.ravel()
    by_density = table.shape[0] > 1
    never = -(1 << 40)
    low = (2 * row0 + gy) // (2 * ny) - 1
    high = (2 * (row0 + rows - 1) + gy) // (2 * ny) + 2 if by_density else low
    for parity in range(1 + gx_odd):  # odd rows of a hexagonal lattice stand between columns
        g = gx0 + parity * gx_odd
        shifted = col0 + (g >> 1)
        g = g & 1
        first = shifted // nx
        at = shifted - first * nx
        width = ((at + cols - 1) // nx + 1) * nx
        acc = np.zeros((4, width), np.int32)
        box = np.zeros(width, np.int32)
        across = np.zeros((high - low + 1, width), np.float32)
        if by_density:
            _across(coef, low - j0, ux[g], first, nx, i0, across)
        now = never
        for r in range(rows + 1):
            j = never  # the row beyond the last clears what is left
            row = row0 + r
            if r < rows:
                if (gx_odd and (row & 1) != parity) or hi[r] <= lo[r]:
                    continue
                y = 2 * row + gy
                j = y // (2 * ny)
            if j != now:
                if now != never:
                    for q in range(now - 1, now + 3 if j == never else min(j - 1, now + 3)):
                        _flush(acc[q & 3], wx[g], first, nx, i0, weight, sums[q - j0])
                    _flush_cells(
                        box, first, nx, i0, cell_x[g, 0], cell_x[g, 1], cell_y[gy, 1], weight,
                        slopes, now - 1 - j0,
                    )  # fmt: skip
                now = j
            if r == rows:
                break
            a = lo[r]
            b = hi[r]
            t = (y - 2 * ny * j) >> 1
            here = masters[r, a:b]
            out = line[0 : b - a]
            at_a = at + a
            at_b = at + b
            if by_density:
                q = j - 1 - low
                density = rho[0 : b - a]
                _along(
                    uy[gy, :, t], across[q, at_a:at_b], across[q + 1, at_a:at_b],
                    across[q + 2, at_a:at_b], across[q + 3, at_a:at_b], density,
                )  # fmt: skip
                _density_steps(density, q0, top, step)
                for c in range(b - a):
                    out[c] = flat[np.uint32(step[c]) * kinds + here[c]]
            else:
                for c in range(b - a):
                    out[c] = flat[here[c]]
            _add_line(
                out, wy[gy, :, t], acc[(j - 1) & 3, at_a:at_b], acc[j & 3, at_a:at_b],
                acc[(j + 1) & 3, at_a:at_b], acc[(j + 2) & 3, at_a:at_b], box[at_a:at_b],
            )  # fmt: skip
            if t == 0 and gy == 0:  # a row on the nodes
                _flush_cells(
                    box, first, nx, i0, cell_x[g, 0], cell_x[g, 1], cell_y[0, 0], weight, slopes, j - 1 - j0,
                )  # fmt: skip


@late_kernel(  # as maps call it, for densities; codes are 8 bits as a rule
    "(uint8[:, ::1], int64, int64, int64[::1], int64[::1], int64, int64, int64, int64, int64, "
    "float32[:, :, ::1], float32[:, :, ::1], float32[:, ::1], int64, int64, "
    "int16[:, ::1], float64, float64, float64, float64, int64, int64, int64, int64, int64, "
    "bool, float32, uint16[:, ::1], uint16[:, ::1])"
)
def assign(  # type: ignore[no-untyped-def]
    masters, row0, col0, lo, hi, gx0, gx_odd, gy, nx, ny, ux, uy, coef, i0, j0,
    ext, ext_x0, ext_y0, ext_hx, ext_hy, x0, y0, pitch, shift, row_step, use_ext,
    q0, table, codes,
):  # fmt: skip  # pragma: no cover
    """Codes of a block: table[density step - q0, master index] at the spline's density.

    ux, uy are weights in density steps. `ext` is what the surroundings add in 1 / ROUNDED, linear
    between its own nodes, used when `use_ext`.
    """
    rows, cols = masters.shape
    rho = np.zeros(cols, np.float32)
    step = np.zeros(cols, np.int32)
    ext_line = np.zeros(max(1, ext.shape[1]))
    top = np.float32(table.shape[0] - 1)
    kinds = np.uint32(table.shape[1])
    flat = table.ravel()
    low = (2 * row0 + gy) // (2 * ny) - 1
    high = (2 * (row0 + rows - 1) + gy) // (2 * ny) + 2
    for parity in range(1 + gx_odd):
        g = gx0 + parity * gx_odd
        shifted = col0 + (g >> 1)
        g = g & 1
        first = shifted // nx
        at = shifted - first * nx
        across = np.zeros((high - low + 1, ((at + cols - 1) // nx + 1) * nx), np.float32)
        _across(coef, low - j0, ux[g], first, nx, i0, across)
        for r in range(rows):
            row = row0 + r
            a = lo[r]
            b = hi[r]
            if (gx_odd and (row & 1) != parity) or b <= a:
                continue
            y = 2 * row + gy
            j = y // (2 * ny)
            t = (y - 2 * ny * j) >> 1
            q = j - 1 - low
            at_a = at + a
            at_b = at + b
            here = rho[0 : b - a]
            _along(
                uy[gy, :, t], across[q, at_a:at_b], across[q + 1, at_a:at_b],
                across[q + 2, at_a:at_b], across[q + 3, at_a:at_b], here,
            )  # fmt: skip
            if use_ext:
                fy = (y0 + row * row_step - ext_y0) / ext_hy
                jy = int(np.floor(fy))
                fy = fy - jy
                for k in range(ext.shape[1]):
                    below = 0.0
                    above = 0.0
                    if 0 <= jy < ext.shape[0]:
                        below = ext[jy, k] / ROUNDED
                    if 0 <= jy + 1 < ext.shape[0]:
                        above = ext[jy + 1, k] / ROUNDED
                    ext_line[k] = STEPS * (below + fy * (above - below))
                for c in range(b - a):
                    x = x0 + (col0 + a + c) * pitch + (row & 1) * shift
                    fx = (x - ext_x0) / ext_hx
                    kx = int(np.floor(fx))
                    fx = fx - kx
                    left = 0.0
                    right = 0.0
                    if 0 <= kx < ext.shape[1]:
                        left = ext_line[kx]
                    if 0 <= kx + 1 < ext.shape[1]:
                        right = ext_line[kx + 1]
                    here[c] += np.float32(left + fx * (right - left))
            _density_steps(here, q0, top, step)
            these = masters[r, a:b]
            out = codes[r, a:b]
            for c in range(b - a):
                out[c] = flat[np.uint32(step[c]) * kinds + these[c]]


@kernel
def convolve_rows(source, taps, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """out = source * taps along the rows; taps (half + 1,) are even about entry 0."""
    half = len(taps) - 1
    n = source.shape[1]
    wide = np.zeros(n + 2 * half + 8, np.float32)
    for r in range(source.shape[0]):
        here = source[r]
        for i in range(n):  # assigning a slice would compile its error message for two seconds
            wide[half + i] = here[i]
        row = out[r]
        w = taps[0]
        for i in range(n):
            row[i] = w * wide[i + half]
        t = 1
        while t + 3 <= half:
            w1, w2, w3, w4 = taps[t], taps[t + 1], taps[t + 2], taps[t + 3]
            left = wide[half - t - 3 : half - t - 3 + n + 3]
            right = wide[half + t : half + t + n + 3]
            for i in range(n):
                row[i] += (w1 * (left[i + 3] + right[i]) + w2 * (left[i + 2] + right[i + 1])) + (
                    w3 * (left[i + 1] + right[i + 2]) + w4 * (left[i] + right[i + 3])
                )
            t += 4
        while t <= half:
            w = taps[t]
            left = wide[half - t : half - t + n]
            right = wide[half + t : half + t + n]
            for i in range(n):
                row[i] += w * (left[i] + right[i])
            t += 1


@kernel
def convolve_columns(source, first, left, taps, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """out = source * taps along the columns; out[0, 0] stands at source[first, left]."""
    half = len(taps) - 1
    m, n = source.shape[0], source.shape[1] - left
    blank = np.zeros(n, np.float32)
    for k in range(out.shape[0]):
        r = first + k
        row = out[k]
        here = source[r, left:]
        w = taps[0]
        for i in range(n):
            row[i] = w * here[i]
        for t in range(1, half + 1, 2):
            w1 = taps[t]
            w2 = taps[t + 1] if t + 1 <= half else np.float32(0.0)
            a = source[r - t, left:] if r >= t else blank
            b = source[r + t, left:] if r + t < m else blank
            c = source[r - t - 1, left:] if r >= t + 1 else blank
            d = source[r + t + 1, left:] if r + t + 1 < m else blank
            for i in range(n):
                row[i] += w1 * (a[i] + b[i]) + w2 * (c[i] + d[i])


@kernel
def _node_values(coef, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    m, n = coef.shape
    line = np.zeros(n + 2, np.float32)
    four = np.float32(4.0)
    part = np.float32(1.0 / 36.0)
    for r in range(m):
        above = coef[min(r + 1, m - 1)]
        here = coef[r]
        below = coef[max(r - 1, 0)]
        for i in range(n):
            line[i + 1] = (below[i] + above[i]) + four * here[i]
        line[0] = line[1]
        line[n + 1] = line[n]
        row = out[r]
        for i in range(n):
            row[i] = ((line[i] + line[i + 2]) + four * line[i + 1]) * part


class Scratch:
    """Arrays that are used again from one convolution to the next: fresh pages cost as much."""

    def __init__(self) -> None:
        self._arrays: dict[str, SingleArray] = {}

    def array(self, name: str, shape: tuple[int, ...]) -> SingleArray:
        """An array of this shape with whatever it held before."""
        found = self._arrays.get(name)
        if found is None or found.shape != shape:
            found = self._arrays[name] = np.zeros(shape, dtype=np.float32)
        return found


# --- what the kernel makes of a raster --------------------------------------------------------


def _node_transform(h: float, k: FloatArray) -> FloatArray:
    """What a deposit and a later spline interpolation do to a wave: sinc^4 (2 + cos) / 3."""
    half = np.where(k == 0, 1.0, k * h / 2)
    sinc = np.where(k == 0, 1.0, np.sin(half) / half)
    found: FloatArray = sinc**4 * (2 + np.cos(k * h)) / 3
    return found


@lru_cache(maxsize=64)
def gaussian_taps(range_dbu: float, h: float) -> FloatArray:
    """Taps from deposits to spline coefficients for a Gaussian term: entry t for nodes t apart.

    The inverse transform of exp(-k^2 b^2 / 4) / (sinc^4 (2 + cos) / 3), cut where it is below
    1e-7 of its peak and scaled to sum to 1; rounded to 2^-44, so that no library's last bit counts.
    """
    n = 4096
    k = (2 * np.pi * np.fft.fftfreq(n, h)).astype(np.float64)
    response = np.exp(-((k * range_dbu) ** 2) / 4) / _node_transform(h, k)
    taps = np.real(np.fft.ifft(response))
    half = int(np.flatnonzero(np.abs(taps[: n // 2]) > 1e-7 * abs(taps[0]))[-1])
    found = taps[: half + 1] / (taps[0] + 2 * taps[1 : half + 1].sum())
    rounded: FloatArray = np.round(found * 2.0**44) / 2.0**44
    return rounded


@lru_cache(maxsize=64)
def single_taps(range_dbu: float, h: float) -> SingleArray:
    """The taps in single precision, their sum still 1 to its last bits."""
    return gaussian_taps(range_dbu, h).astype(np.float32)


@lru_cache(maxsize=64)
def node_taps(range_dbu: float, h: float) -> SingleArray:
    """Taps from deposits to the spline's values at its nodes, in single precision."""
    taps = gaussian_taps(range_dbu, h)
    both = np.concatenate([taps[:0:-1], taps])
    found = np.convolve(both, np.array([1.0, 4.0, 1.0]) / 6)[len(taps) :]
    single: SingleArray = found.astype(np.float32)
    return single


def convolve(
    source: SingleArray, term: ScatterTerm, hx: float, hy: float, scratch: Scratch
) -> SingleArray:
    """Spline coefficients of one term's density (share not applied) from deposited site areas.

    `source` counts area per node as a fraction of the node's own area; what lies outside the
    array is empty. A Gaussian is separable; other terms go through the transform, on an array
    wide enough that nothing within the term's reach wraps round.
    """
    if term.term == "gaussian":
        across = scratch.array("across", source.shape)
        convolve_rows(source, single_taps(term.range_dbu, hx), across)
        out = scratch.array("out", source.shape)
        convolve_columns(across, 0, 0, single_taps(term.range_dbu, hy), out)
        return out
    from scipy.fft import irfft2, next_fast_len, rfft2

    rows, cols = source.shape
    pad_y = next_fast_len(rows + min(rows, int(term.reach_dbu / hy) + 4), real=True)
    pad_x = next_fast_len(cols + min(cols, int(term.reach_dbu / hx) + 4), real=True)
    response = _response(term, hx, hy, pad_x, pad_y)
    found = irfft2(rfft2(source, (pad_y, pad_x)) * response, (pad_y, pad_x))[:rows, :cols]
    # Transforms differ in their last bits between processors; 2^-36 is 1.5e-11 of density.
    return (np.round(found * 2.0**36) / 2.0**36).astype(np.float32)


@lru_cache(maxsize=8)
def _response(term: ScatterTerm, hx: float, hy: float, pad_x: int, pad_y: int) -> FloatArray:
    """What a term does to each wave of a periodic array; the same for every round."""
    from scipy.fft import rfft2

    ky = (2 * np.pi * np.fft.fftfreq(pad_y, hy)).astype(np.float64)
    kx = (2 * np.pi * np.fft.rfftfreq(pad_x, hx)).astype(np.float64)
    response = term.transform(np.hypot(ky[:, None], kx[None, :]))
    response /= _node_transform(hy, ky)[:, None] * _node_transform(hx, kx)[None, :]
    response -= rfft2(_wrapped(term, hx, hy, pad_x, pad_y)).real
    found: FloatArray = response
    return found


def _wrapped(term: ScatterTerm, hx: float, hy: float, cols: int, rows: int) -> FloatArray:
    """What the copies of the kernel that a periodic array brings along add to it, (rows, cols).

    Three copies each way are added one by one, the rest as a plane: a power law falls so slowly
    that they add 1e-3 and more of density to a part that is much smaller than its reach.
    """
    i, j = np.arange(cols), np.arange(rows)[:, None]
    x, y = np.minimum(i, cols - i) * hx, np.minimum(j, rows - j) * hy
    wide, tall = cols * hx, rows * hy
    found = np.full((rows, cols), term.outside(7 * np.sqrt(wide * tall / np.pi)) / (wide * tall))
    for a in range(-3, 4):
        for b in range(-3, 4):
            if a or b:
                found += term.value(np.hypot(x + a * wide, y + b * tall))
    return found * hx * hy


def node_values(coef: SingleArray, out: SingleArray | None = None) -> SingleArray:
    """The spline's values at its nodes: [1, 4, 1] / 6 each way."""
    if out is None:
        out = np.zeros_like(coef)
    _node_values(coef, out)
    return out


def restrict(source: SingleArray, i0: int, j0: int) -> tuple[SingleArray, int, int]:
    """Deposits on nodes twice as far apart: [1, 4, 6, 4, 1] / 8 each way at even nodes.

    Exact, since a coarse B-spline is that sum of fine ones. Returns the array and its i0, j0.
    """

    def along(values: SingleArray, first: int) -> tuple[SingleArray, int]:
        low = (first - 2) // 2
        high = (first + len(values) - 1 + 2) // 2 + 1
        out = np.zeros((high - low + 1, values.shape[1]), dtype=np.float32)
        padded = np.zeros((2 * (high - low) + 6, values.shape[1]), dtype=np.float32)
        start = first - (2 * low - 2)
        padded[start : start + len(values)] = values
        for t, w in enumerate((1, 4, 6, 4, 1)):
            out += np.float32(w / 8) * padded[t : t + 2 * (high - low) + 1 : 2]
        return out, low

    tall, j = along(source, j0)
    wide, i = along(np.ascontiguousarray(tall.T), i0)
    # fractions of a node's own area: the coarse node is four times as large
    return np.ascontiguousarray(wide.T) / np.float32(4), i, j


def prolong(coef: SingleArray, i0: int, j0: int, like: tuple[int, int, int, int]) -> SingleArray:
    """The same spline on nodes half as far apart, cut to (i0, j0, cols, rows) of `like`."""

    def along(values: SingleArray, first: int, want: int, count: int) -> SingleArray:
        out = np.zeros((count, values.shape[1]), dtype=np.float32)
        for t, w in ((-2, 1), (-1, 4), (0, 6), (1, 4), (2, 1)):
            at = 2 * (first + np.arange(len(values))) + t - want
            keep = (at >= 0) & (at < count)
            out[at[keep]] += np.float32(w / 8) * values[keep]
        return out

    i_want, j_want, cols, rows = like
    tall = along(coef, j0, j_want, rows)
    return np.ascontiguousarray(along(np.ascontiguousarray(tall.T), i0, i_want, cols).T)


def field_at(coef: SingleArray, grid: Grid, x: FloatArray, y: FloatArray) -> FloatArray:
    """The spline at places x (cols,) and y (rows,) from the part's axis; 0 outside the array."""

    from scipy.sparse import csr_matrix

    def basis(at: FloatArray, h: float, first: int, count: int) -> csr_matrix[np.float64]:
        u = at / h - first
        base = np.floor(u).astype(np.int64)
        k = base[:, None] + np.arange(-1, 3)
        w = np.where((k >= 0) & (k < count), spline_basis(u - base).T, 0.0)
        ends = np.arange(0, 4 * len(at) + 1, 4)
        return csr_matrix((w.ravel(), k.clip(0, count - 1).ravel(), ends), (len(at), count))

    by = basis(np.asarray(y, dtype=np.float64), grid.hy, grid.j0, grid.rows)
    bx = basis(np.asarray(x, dtype=np.float64), grid.hx, grid.i0, grid.cols)
    found: FloatArray = np.asarray((bx @ (by @ coef).T).T)
    return found


def coefficients(nodes: SingleArray) -> SingleArray:
    """Spline coefficients of node values, edges mirrored: the inverse of `node_values`."""
    if not nodes.any():
        return nodes
    from scipy.ndimage import spline_filter

    found: SingleArray = spline_filter(nodes, order=3, mode="mirror", output=np.float64).astype(
        np.float32
    )
    return found


class Convolver:
    """The whole backscatter kernel on one grid.

    With mirror_x (mirror_y) the array is even about node 0 and holds only a few nodes left of
    (below) it. Terms of long range are convolved on nodes 2, 4, 8 ... times as far apart.
    """

    def __init__(
        self, grid: Grid, terms: tuple[ScatterTerm, ...], mirror_x: bool, mirror_y: bool
    ) -> None:
        self.grid = grid
        self.terms = tuple(term for term in terms if term.reach_dbu > 0)
        self.mirror_x = mirror_x
        self.mirror_y = mirror_y
        self._scratch = Scratch()

    def __call__(
        self, source: FloatArray | SingleArray, out: SingleArray | None = None
    ) -> SingleArray:
        """Spline coefficients of the density that `source` (area fraction per node) gives."""
        g = self.grid
        like = (g.i0, g.j0, g.cols, g.rows)
        total = np.zeros(g.shape, dtype=np.float32) if out is None else out
        total[:] = 0.0
        for term in self.terms:
            array, i0, j0, level = self._coarse(source, term)
            hx, hy = g.hx * 2.0**level, g.hy * 2.0**level
            array, i0, j0 = self._mirrored(array, i0, j0, _margin(term, hx), _margin(term, hy))
            found = convolve(array, term, hx, hy, self._scratch)
            if term.share != 1.0:
                found *= np.float32(term.share)
            for up in range(level, 0, -1):
                want = like if up == 1 else _around(like, up - 1)
                found = prolong(found, i0, j0, want)
                i0, j0 = want[0], want[1]
            x, y = g.i0 - i0, g.j0 - j0
            total += found[y : y + g.rows, x : x + g.cols]
        return total

    def spread(
        self, source: SingleArray, within_dbu: float = math.inf
    ) -> list[list[tuple[SingleArray, Grid]]]:
        """Each term's density as far as it reaches, on nodes of its own: coefficients and grids, widest first.

        within_dbu: nobody asks farther than this beyond the array. What reaches very far is told on coarser
        nodes there; where a finer grid holds a place, that one counts. Beside a mirror axis the arrays start
        a few nodes beyond it.
        """
        found = []
        for term in self.terms:
            array, i0, j0, level = self._coarse(source, term)
            far = min(term.reach_dbu, within_dbu)
            array = array.copy()  # it may lie in memory that is used again
            grids = [self._spread_on(array, i0, j0, level, term, far, blurred=False)]
            while far > _FAR_NODES * min(grids[-1][1].hx, grids[-1][1].hy):
                for _ in range(_FAR_LEVELS):
                    array, i0, j0 = self._restricted(array, i0, j0)
                array, level = array.copy(), level + _FAR_LEVELS
                grids.append(self._spread_on(array, i0, j0, level, term, far, blurred=True))
            found.append(grids[::-1])
        return found

    def _spread_on(
        self, array: SingleArray, i0: int, j0: int, level: int, term: ScatterTerm, far: float, *,
        blurred: bool,
    ) -> tuple[SingleArray, Grid]:  # fmt: skip
        """A term's density around an array of one level.

        blurred: over two nodes, which changes nothing worth telling where only places far away are asked for. A
        kernel narrower than its nodes would ring along the axes, as far as they go.
        """
        hx, hy = self.grid.hx * 2.0**level, self.grid.hy * 2.0**level
        far_x, far_y = (min(int(far / h), _FAR_NODES) + 4 for h in (hx, hy))
        array = np.pad(
            array,
            ((0 if self.mirror_y else far_y, far_y), (0 if self.mirror_x else far_x, far_x)),
        )
        i0, j0 = i0 - (0 if self.mirror_x else far_x), j0 - (0 if self.mirror_y else far_y)
        wide, i1, j1 = self._mirrored(array, i0, j0, _margin(term, hx), _margin(term, hy))
        if blurred:
            from scipy.ndimage import convolve1d

            weights = np.exp(-(np.arange(-8, 9) ** 2) / 4)
            for axis in (0, 1):
                wide = convolve1d(wide, weights / weights.sum(), axis, mode="constant")
        coef = np.float32(term.share) * convolve(wide, term, hx, hy, Scratch())
        coef = np.ascontiguousarray(coef[j0 - j1 :, i0 - i1 :])
        return coef, Grid(hx, hy, i0, j0, coef.shape[1], coef.shape[0])

    def _coarse(
        self, source: FloatArray | SingleArray, term: ScatterTerm
    ) -> tuple[SingleArray, int, int, int]:
        """The source on a term's own nodes: at most a quarter of its range apart, i0, j0, level."""
        array, i0, j0 = source.astype(np.float32, copy=False), self.grid.i0, self.grid.j0
        level = 0
        while max(self.grid.hx, self.grid.hy) * 2 ** (level + 1) <= term.range_dbu / 4:
            level += 1
            array, i0, j0 = self._restricted(array, i0, j0)
        return array, i0, j0, level

    def _restricted(self, array: SingleArray, i0: int, j0: int) -> tuple[SingleArray, int, int]:
        """The deposits on nodes twice as far apart."""
        array, i0, j0 = restrict(array, i0, j0)
        if self.mirror_x:  # nodes left of the axis lack their images
            array, i0 = array[:, -i0:], 0
        if self.mirror_y:
            array, j0 = array[-j0:], 0
        return self._mirrored(array, i0, j0, 4, 4)

    def _mirrored(
        self, array: SingleArray, i0: int, j0: int, margin_x: int, margin_y: int
    ) -> tuple[SingleArray, int, int]:
        """The array reaching `margin` nodes beyond a mirror axis; itself where there is none."""
        if not (self.mirror_x or self.mirror_y):
            return array, i0, j0
        rows, cols = array.shape[0] + j0, array.shape[1] + i0  # from node 0 on
        # nothing stands farther beyond the axis than the array reaches before it
        left = min(margin_x, max(cols, 8)) if self.mirror_x else -i0
        low = min(margin_y, max(rows, 8)) if self.mirror_y else -j0
        wide = self._scratch.array("wide", (low + rows, left + cols))
        if np.shares_memory(wide, array):  # a coarser level's own array
            wide = np.zeros(wide.shape, dtype=np.float32)
        if not (self.mirror_x and self.mirror_y) or left >= cols or low >= rows:
            wide[:] = 0.0  # else every node is written below
        wide[
            low + j0 if not self.mirror_y else low :, left + i0 if not self.mirror_x else left :
        ] = array[-j0 if self.mirror_y else 0 :, -i0 if self.mirror_x else 0 :]
        if self.mirror_x:
            k = min(left, cols - 1)
            wide[:, left - k : left] = wide[:, left + k : left : -1]
        if self.mirror_y:
            k = min(low, rows - 1)
            wide[low - k : low] = wide[low + k : low : -1]
        return wide, -left, -low


def _margin(term: ScatterTerm, h: float) -> int:
    """Nodes beyond a mirror axis that the term needs; a Gaussian's taps end at 1e-7, 4 ranges."""
    if term.term == "gaussian":
        return len(gaussian_taps(term.range_dbu, h)) + 3
    return int(term.reach_dbu / h) + 5


def _around(like: tuple[int, int, int, int], level: int) -> tuple[int, int, int, int]:
    """The nodes of a coarser level that a finer array's splines need."""
    i0, j0, cols, rows = like
    i1, j1 = i0 + cols - 1, j0 + rows - 1
    for _ in range(level):
        i0, j0, i1, j1 = (i0 - 2) // 2 - 1, (j0 - 2) // 2 - 1, (i1 + 2) // 2 + 2, (j1 + 2) // 2 + 2
    return i0, j0, i1 - i0 + 1, j1 - j0 + 1


def field_at_points(coef: SingleArray, grid: Grid, x: FloatArray, y: FloatArray) -> FloatArray:
    """The spline at points (n,), which must lie two nodes or more inside the array."""
    found = np.zeros(len(x))
    u, v = x / grid.hx - grid.i0, y / grid.hy - grid.j0
    i, j = np.floor(u).astype(np.int64), np.floor(v).astype(np.int64)
    across, along = spline_basis(u - i).T, spline_basis(v - j).T
    for s in range(4):
        for t in range(4):
            found += along[:, s] * across[:, t] * coef[j - 1 + s, i - 1 + t]
    return found
