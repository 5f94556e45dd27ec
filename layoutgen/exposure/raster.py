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

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.scatter import ScatterTerm
from layoutgen.lattice import Lattice

__all__ = [
    "AREA_UNIT", "DEPOSIT_SCALE", "Convolver", "Grid", "assign", "coefficients", "deposit",
    "deposit_again", "field_at", "node_values", "spline_weights", "steps_per_node",
]  # fmt: skip

FloatArray = NDArray[np.float64]

#: One site area (pitch times row step) in the whole numbers that are deposited: 2^16, so a
#: rounding is 8e-6 of a site, and weights of 2^12 each way leave 13 bits for the sum.
AREA_UNIT = 1 << 16
_WEIGHT_UNIT = 1 << 12
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
        return (self.i0 + np.arange(self.cols)) * float(self.hx)

    def ys(self) -> FloatArray:
        return (self.j0 + np.arange(self.rows)) * float(self.hy)


def steps_per_node(lattice: Lattice, shortest_range_dbu: float) -> tuple[int, int]:
    """Lattice steps from node to node: the most that keep hx and hy within range / 4."""
    quarter = shortest_range_dbu / 4
    nx = max(1, int(quarter / lattice.pitch_dbu))
    ny = max(1, int(quarter / lattice.row_dbu))
    return (nx, ny) if lattice.hexagonal else (nx, nx)


def spline_weights(n: int, unit: int | None) -> FloatArray:
    """Cubic B-spline weights (2, n, 4) of sites at (2 s + g) / (2 n) of a node step.

    With `unit` they are whole numbers that sum to it, else exact to rounding.
    """
    f = (2 * np.arange(n)[None, :] + np.arange(2)[:, None]) / (2.0 * n)
    w = np.stack(
        [(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3], axis=-1
    )
    w = w / 6
    if unit is None:
        return w
    whole = np.floor(w * unit + 0.5)
    # The largest weight takes what rounding left over: the sum is the site's area, exactly.
    largest = np.argmax(w, axis=-1)[..., None]
    rest = unit - whole.sum(axis=-1, keepdims=True)
    np.put_along_axis(whole, largest, np.take_along_axis(whole, largest, -1) + rest, -1)
    return whole


# --- kernels ----------------------------------------------------------------------------------


@numba.njit(cache=True, nogil=True, error_model="numpy")
def deposit(
    masters, row0, col0, lo, hi, gx0, gx_odd, gy, nx, ny, wx, wy, area, slope, weight,
    sums, slopes, i0, j0,
):  # fmt: skip  # pragma: no cover
    """Add a block of master indices (0 = empty) to `sums` (splines) and `slopes` (boxes).

    lo, hi are block columns for each row; area and slope are whole numbers for each index.
    """
    n_i = sums.shape[1]
    acc = np.zeros(n_i)
    box = np.zeros(n_i)
    for r in range(masters.shape[0]):
        if hi[r] <= lo[r]:
            continue
        row = row0 + r
        g = gx0 + (row & 1) * gx_odd
        c_shift = col0 + (g >> 1)
        g = g & 1
        first = (c_shift + lo[r]) // nx
        last = (c_shift + hi[r] - 1) // nx
        for i in range(first, last + 1):
            base = nx * i - c_shift
            s0 = max(0, lo[r] - base)
            s1 = min(nx, hi[r] - base)
            a0 = 0.0
            a1 = 0.0
            a2 = 0.0
            a3 = 0.0
            d = 0.0
            for s in range(s0, s1):
                m = masters[r, base + s]
                v = area[m]
                d += slope[m]
                a0 += wx[g, s, 0] * v
                a1 += wx[g, s, 1] * v
                a2 += wx[g, s, 2] * v
                a3 += wx[g, s, 3] * v
            k = i - i0
            acc[k - 1] += a0
            acc[k] += a1
            acc[k + 1] += a2
            acc[k + 2] += a3
            box[k] += d
        b = 2 * row + gy
        j = b // (2 * ny)
        t = (b - 2 * ny * j) >> 1
        q = j - j0
        for k in range(first - i0 - 1, last - i0 + 3):
            v = acc[k] * weight
            acc[k] = 0.0
            sums[q - 1, k] += wy[gy, t, 0] * v
            sums[q, k] += wy[gy, t, 1] * v
            sums[q + 1, k] += wy[gy, t, 2] * v
            sums[q + 2, k] += wy[gy, t, 3] * v
        for k in range(first - i0, last - i0 + 1):
            v = box[k] * weight
            box[k] = 0.0
            slopes[q, k] += v
            slopes[q, k + 1] += v
            slopes[q + 1, k] += v
            slopes[q + 1, k + 1] += v


@numba.njit(cache=True, nogil=True, error_model="numpy")
def deposit_again(
    masters, row0, col0, lo, hi, gx0, gx_odd, gy, nx, ny, wx, wy, ux, uy, coef, ext, q0, area,
    slope, weight, sums, slopes, i0, j0,
):  # fmt: skip  # pragma: no cover
    """As `deposit`, at the density of each site: area and slope are (densities, indices)."""
    n_i = sums.shape[1]
    acc = np.zeros(n_i)
    box = np.zeros(n_i)
    line = np.zeros(n_i)
    top = area.shape[0] - 1
    for r in range(masters.shape[0]):
        if hi[r] <= lo[r]:
            continue
        row = row0 + r
        b = 2 * row + gy
        j = b // (2 * ny)
        t = (b - 2 * ny * j) >> 1
        q = j - j0
        g = gx0 + (row & 1) * gx_odd
        c_shift = col0 + (g >> 1)
        g = g & 1
        first = (c_shift + lo[r]) // nx
        last = (c_shift + hi[r] - 1) // nx
        for k in range(first - i0 - 1, last - i0 + 3):
            line[k] = (
                uy[gy, t, 0] * (coef[q - 1, k] + ext[q - 1, k])
                + uy[gy, t, 1] * (coef[q, k] + ext[q, k])
                + uy[gy, t, 2] * (coef[q + 1, k] + ext[q + 1, k])
                + uy[gy, t, 3] * (coef[q + 2, k] + ext[q + 2, k])
            )
        for i in range(first, last + 1):
            base = nx * i - c_shift
            k = i - i0
            for s in range(max(0, lo[r] - base), min(nx, hi[r] - base)):
                m = masters[r, base + s]
                rho = (
                    ux[g, s, 0] * line[k - 1]
                    + ux[g, s, 1] * line[k]
                    + ux[g, s, 2] * line[k + 1]
                    + ux[g, s, 3] * line[k + 2]
                )
                d = int(np.floor(rho * 8192.0 + 0.5)) - q0
                d = min(max(d, 0), top)
                v = area[d, m]
                acc[k - 1] += wx[g, s, 0] * v
                acc[k] += wx[g, s, 1] * v
                acc[k + 1] += wx[g, s, 2] * v
                acc[k + 2] += wx[g, s, 3] * v
                box[k] += slope[d, m]
        for k in range(first - i0 - 1, last - i0 + 3):
            v = acc[k] * weight
            acc[k] = 0.0
            sums[q - 1, k] += wy[gy, t, 0] * v
            sums[q, k] += wy[gy, t, 1] * v
            sums[q + 1, k] += wy[gy, t, 2] * v
            sums[q + 2, k] += wy[gy, t, 3] * v
        for k in range(first - i0, last - i0 + 1):
            v = box[k] * weight
            box[k] = 0.0
            for dj in range(2):
                for di in range(2):
                    slopes[q + dj, k + di] += v


@numba.njit(cache=True, nogil=True, error_model="numpy")
def assign(
    masters, row0, col0, lo, hi, gx0, gx_odd, gy, nx, ny, ux, uy, coef, i0, j0,
    ext, ext_x0, ext_y0, ext_hx, ext_hy, x0, y0, pitch, shift, row_step, use_ext,
    q0, table, codes,
):  # fmt: skip  # pragma: no cover
    """Codes of a block: table[density step - q0, master index] at the spline's density.

    `ext` is what the surroundings add, linear between its own nodes, used when `use_ext`.
    """
    n_i = coef.shape[1]
    line = np.zeros(n_i)
    top = table.shape[0] - 1
    ext_line = np.zeros(max(1, ext.shape[1]))
    for r in range(masters.shape[0]):
        if hi[r] <= lo[r]:
            continue
        row = row0 + r
        b = 2 * row + gy
        j = b // (2 * ny)
        t = (b - 2 * ny * j) >> 1
        q = j - j0
        g_full = gx0 + (row & 1) * gx_odd
        c_shift = col0 + (g_full >> 1)
        g = g_full & 1
        first = (c_shift + lo[r]) // nx
        last = (c_shift + hi[r] - 1) // nx
        u0 = uy[gy, t, 0]
        u1 = uy[gy, t, 1]
        u2 = uy[gy, t, 2]
        u3 = uy[gy, t, 3]
        for k in range(first - i0 - 1, last - i0 + 3):
            line[k] = 8192.0 * (
                u0 * coef[q - 1, k] + u1 * coef[q, k] + u2 * coef[q + 1, k] + u3 * coef[q + 2, k]
            )
        if use_ext:
            y = y0 + row * row_step
            fy = (y - ext_y0) / ext_hy
            jy = int(np.floor(fy))
            fy = fy - jy
            for k in range(ext.shape[1]):
                low = 0.0
                high = 0.0
                if 0 <= jy < ext.shape[0]:
                    low = ext[jy, k]
                if 0 <= jy + 1 < ext.shape[0]:
                    high = ext[jy + 1, k]
                ext_line[k] = 8192.0 * (low + fy * (high - low))
        for i in range(first, last + 1):
            base = nx * i - c_shift
            k = i - i0
            c0 = line[k - 1]
            c1 = line[k]
            c2 = line[k + 1]
            c3 = line[k + 2]
            for s in range(max(0, lo[r] - base), min(nx, hi[r] - base)):
                rho = ux[g, s, 0] * c0 + ux[g, s, 1] * c1 + ux[g, s, 2] * c2 + ux[g, s, 3] * c3
                if use_ext:
                    x = x0 + (col0 + base + s) * pitch + (row & 1) * shift
                    fx = (x - ext_x0) / ext_hx
                    kx = int(np.floor(fx))
                    fx = fx - kx
                    left = 0.0
                    right = 0.0
                    if 0 <= kx < ext.shape[1]:
                        left = ext_line[kx]
                    if 0 <= kx + 1 < ext.shape[1]:
                        right = ext_line[kx + 1]
                    rho = rho + (left + fx * (right - left))
                d = int(np.floor(rho + 0.5)) - q0
                d = min(max(d, 0), top)
                codes[r, base + s] = table[d, masters[r, base + s]]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _convolve_rows(source, taps, out):  # pragma: no cover
    half = (len(taps) - 1) // 2
    n = source.shape[1]
    for r in range(source.shape[0]):
        for i in range(n):
            out[r, i] = taps[half] * source[r, i]
        for t in range(1, half + 1):
            w = taps[half + t]
            for i in range(n - t):
                out[r, i] += w * source[r, i + t]
            for i in range(t, n):
                out[r, i] += w * source[r, i - t]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _convolve_columns(source, taps, out):  # pragma: no cover
    half = (len(taps) - 1) // 2
    m, n = source.shape
    for r in range(m):
        w = taps[half]
        for i in range(n):
            out[r, i] = w * source[r, i]
        for t in range(1, half + 1):
            w = taps[half + t]
            if r + t < m:
                for i in range(n):
                    out[r, i] += w * source[r + t, i]
            if r - t >= 0:
                for i in range(n):
                    out[r, i] += w * source[r - t, i]


# --- what the kernel makes of a raster --------------------------------------------------------


def _node_transform(h: float, k: FloatArray) -> FloatArray:
    """What a deposit and a later spline interpolation do to a wave: sinc^4 (2 + cos) / 3."""
    half = np.where(k == 0, 1.0, k * h / 2)
    sinc = np.where(k == 0, 1.0, np.sin(half) / half)
    return sinc**4 * (2 + np.cos(k * h)) / 3


def gaussian_taps(range_dbu: float, h: float) -> FloatArray:
    """Taps from deposits to spline coefficients for a Gaussian term, an odd number of them.

    The inverse transform of exp(-k^2 b^2 / 4) / (sinc^4 (2 + cos) / 3), cut where it is below
    1e-9 of its peak and scaled to sum to 1; rounded to 2^-44, so that no library's last bit counts.
    """
    n = 4096
    k = 2 * np.pi * np.fft.fftfreq(n, h)
    response = np.exp(-((k * range_dbu) ** 2) / 4) / _node_transform(h, k)
    taps = np.real(np.fft.ifft(response))
    half = int(np.flatnonzero(np.abs(taps[: n // 2]) > 1e-9 * abs(taps[0]))[-1])
    found = np.concatenate([taps[half:0:-1], taps[: half + 1]])
    found = found / found.sum()
    return np.round(found * 2.0**44) / 2.0**44


def convolve(source: FloatArray, term: ScatterTerm, hx: float, hy: float) -> FloatArray:
    """Spline coefficients of one term's density (share not applied) from deposited site areas.

    `source` counts area per node as a fraction of the node's own area; what lies outside the
    array is empty. A Gaussian is separable; other terms go through the transform, on an array
    wide enough that nothing within the term's reach wraps round.
    """
    if term.term == "gaussian":
        across = np.zeros_like(source)
        _convolve_rows(source, gaussian_taps(term.range_dbu, hx), across)
        out = np.zeros_like(source)
        _convolve_columns(across, gaussian_taps(term.range_dbu, hy), out)
        return out
    from scipy.fft import irfft2, next_fast_len, rfft2

    rows, cols = source.shape
    pad_y = next_fast_len(rows + min(rows, int(term.reach_dbu / hy) + 4), real=True)
    pad_x = next_fast_len(cols + min(cols, int(term.reach_dbu / hx) + 4), real=True)
    ky = 2 * np.pi * np.fft.fftfreq(pad_y, hy)
    kx = 2 * np.pi * np.fft.rfftfreq(pad_x, hx)
    response = term.transform(np.hypot(ky[:, None], kx[None, :]))
    response /= _node_transform(hy, ky)[:, None] * _node_transform(hx, kx)[None, :]
    found = irfft2(rfft2(source, (pad_y, pad_x)) * response, (pad_y, pad_x))[:rows, :cols]
    # Transforms differ in their last bits between processors; 2^-36 is 1.5e-11 of density.
    return np.round(found * 2.0**36) / 2.0**36


def node_values(coef: FloatArray) -> FloatArray:
    """The spline's values at its nodes: [1, 4, 1] / 6 each way."""
    wide = np.pad(coef, 1, mode="edge")
    rows = (wide[:, :-2] + 4 * wide[:, 1:-1] + wide[:, 2:]) / 6
    found: FloatArray = (rows[:-2] + 4 * rows[1:-1] + rows[2:]) / 6
    return found


def restrict(source: FloatArray, i0: int, j0: int) -> tuple[FloatArray, int, int]:
    """Deposits on nodes twice as far apart: [1, 4, 6, 4, 1] / 8 each way at even nodes.

    Exact, since a coarse B-spline is that sum of fine ones. Returns the array and its i0, j0.
    """

    def along(values: FloatArray, first: int) -> tuple[FloatArray, int]:
        low = (first - 2) // 2
        high = (first + len(values) - 1 + 2) // 2 + 1
        out = np.zeros((high - low + 1, values.shape[1]))
        padded = np.zeros((2 * (high - low) + 6, values.shape[1]))
        start = first - (2 * low - 2)
        padded[start : start + len(values)] = values
        for t, w in enumerate((1, 4, 6, 4, 1)):
            out += w / 8 * padded[t : t + 2 * (high - low) + 1 : 2]
        return out, low

    tall, j = along(source, j0)
    wide, i = along(np.ascontiguousarray(tall.T), i0)
    # fractions of a node's own area: the coarse node is four times as large
    return np.ascontiguousarray(wide.T) / 4, i, j


def prolong(coef: FloatArray, i0: int, j0: int, like: tuple[int, int, int, int]) -> FloatArray:
    """The same spline on nodes half as far apart, cut to (i0, j0, cols, rows) of `like`."""

    def along(values: FloatArray, first: int, want: int, count: int) -> FloatArray:
        out = np.zeros((count, values.shape[1]))
        for t, w in ((-2, 1), (-1, 4), (0, 6), (1, 4), (2, 1)):
            at = 2 * (first + np.arange(len(values))) + t - want
            keep = (at >= 0) & (at < count)
            out[at[keep]] += w / 8 * values[keep]
        return out

    i_want, j_want, cols, rows = like
    tall = along(coef, j0, j_want, rows)
    return np.ascontiguousarray(along(np.ascontiguousarray(tall.T), i0, i_want, cols).T)


def field_at(coef: FloatArray, grid: Grid, x: FloatArray, y: FloatArray) -> FloatArray:
    """The spline at places x (cols,) and y (rows,) from the part's axis; 0 outside the array."""

    def basis(at: FloatArray, h: float, first: int, count: int) -> FloatArray:
        u = at / h - first
        base = np.floor(u).astype(np.int64)
        f = u - base
        w = np.stack(
            [(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3], axis=1
        )
        out = np.zeros((len(at), count))
        for t in range(4):
            k = base - 1 + t
            keep = (k >= 0) & (k < count)
            out[np.flatnonzero(keep), k[keep]] += w[keep, t] / 6
        return out

    from scipy.sparse import csr_matrix

    by = csr_matrix(basis(np.asarray(y, dtype=np.float64), grid.hy, grid.j0, grid.rows))
    bx = csr_matrix(basis(np.asarray(x, dtype=np.float64), grid.hx, grid.i0, grid.cols))
    found: FloatArray = np.asarray((bx @ (by @ coef).T).T)
    return found


def coefficients(nodes: FloatArray) -> FloatArray:
    """Spline coefficients of node values, edges mirrored: the inverse of `node_values`."""
    if not nodes.any():
        return nodes
    from scipy.ndimage import spline_filter

    found: FloatArray = spline_filter(nodes, order=3, mode="mirror", output=np.float64)
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

    def __call__(self, source: FloatArray) -> FloatArray:
        """Spline coefficients of the density that `source` (area fraction per node) gives."""
        g = self.grid
        like = (g.i0, g.j0, g.cols, g.rows)
        total = np.zeros(g.shape)
        for term in self.terms:
            level = 0
            while max(g.hx, g.hy) * 2 ** (level + 1) <= term.range_dbu / 4:
                level += 1
            array, i0, j0 = source, g.i0, g.j0
            for _ in range(level):
                array, i0, j0 = restrict(array, i0, j0)
                if self.mirror_x:  # nodes left of the axis lack their images
                    array, i0 = array[:, -i0:], 0
                if self.mirror_y:
                    array, j0 = array[-j0:], 0
                array, i0, j0 = self._mirrored(array, i0, j0, 4, 4)
            hx, hy = g.hx * 2.0**level, g.hy * 2.0**level
            array, i0, j0 = self._mirrored(array, i0, j0, _margin(term, hx), _margin(term, hy))
            found = term.share * convolve(array, term, hx, hy)
            for up in range(level, 0, -1):
                want = like if up == 1 else _around(like, up - 1)
                found = prolong(found, i0, j0, want)
                i0, j0 = want[0], want[1]
            x, y = g.i0 - i0, g.j0 - j0
            total += found[y : y + g.rows, x : x + g.cols]
        return total

    def _mirrored(
        self, array: FloatArray, i0: int, j0: int, margin_x: int, margin_y: int
    ) -> tuple[FloatArray, int, int]:
        """The array reaching `margin` nodes beyond a mirror axis."""
        array, i0 = _reach_left(array, i0, margin_x, self.mirror_x)
        tall, j0 = _reach_left(array.T, j0, margin_y, self.mirror_y)
        return np.ascontiguousarray(tall.T), i0, j0


def _reach_left(
    array: FloatArray, first: int, margin: int, mirror: bool
) -> tuple[FloatArray, int]:
    if not mirror:
        return array, first
    right = array[:, -first:]
    if margin >= right.shape[1]:
        right = np.pad(right, ((0, 0), (0, margin + 1 - right.shape[1])))
    return np.hstack([right[:, margin:0:-1], array[:, -first:]]), -margin


def _margin(term: ScatterTerm, h: float) -> int:
    """Nodes beyond a mirror axis that the term needs; a Gaussian's taps end at 1e-9, 4.6 ranges."""
    if term.term == "gaussian":
        return (len(gaussian_taps(term.range_dbu, h)) - 1) // 2 + 4
    return int(term.reach_dbu / h) + 5


def _around(like: tuple[int, int, int, int], level: int) -> tuple[int, int, int, int]:
    """The nodes of a coarser level that a finer array's splines need."""
    i0, j0, cols, rows = like
    i1, j1 = i0 + cols - 1, j0 + rows - 1
    for _ in range(level):
        i0, j0, i1, j1 = (i0 - 2) // 2 - 1, (j0 - 2) // 2 - 1, (i1 + 2) // 2 + 2, (j1 + 2) // 2 + 2
    return i0, j0, i1 - i0 + 1, j1 - j0 + 1
