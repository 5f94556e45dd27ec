"""What a layer of pillars does to a field written in Fourier orders: D = E(E), factorised at the walls.

D is the product of two functions that both jump at a pillar's wall. A product of truncated Fourier series
converges only if the factors' jumps do not cancel (Li, J. Opt. Soc. Am. A 13, 1870 (1996)); at a wall the tangential
E and the normal D are smooth, so the tangential part takes the permittivity and the normal part the
inverse of the inverse permittivity:

    discs     E = [eps] - (delta N + N delta) / 2,   delta = [eps] - [1/eps]^-1,   N = [F n n]
              n is radial, F(rho) = 1 on the wall, falling evenly to 0 at the centre and a little beyond
              half-way to the neighbour (a normal vector field: Popov & Neviere, J. Opt. Soc. Am. A 18,
              2886 (2001); Schuster et al., J. Opt. Soc. Am. A 24, 2880 (2007)). This cone converged
              faster in trials than a constant or a smooth F. Symmetrised so, power is conserved to rounding.
    squares   walls lie along the axes: the inverse rule across them, the plain one along them
              (Li, J. Opt. Soc. Am. A 14, 2758 (1997)).

All coefficients are closed forms (2 J1(x)/x of a disc, sin(x)/x of a square) but the field's, which are
Gauss-Legendre sums of a Hankel transform. [f] is the matrix f(u - u', v - v').
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import ceil, hypot, pi
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0, j1

from layoutgen.optics.fourier_orders import FourierOrders, Kernel
from layoutgen.optics.stack import Cell, Pillar, PillarLayer

__all__ = ["Permittivity", "permittivity"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
AnyArray = NDArray[Any]  # real or complex


@dataclass(frozen=True, eq=False, slots=True)
class Permittivity:
    """D from E within one layer: lateral blocks (Ex and Ey unknowns), and Ez = inverse_zz Dz."""

    xx: AnyArray
    xy: AnyArray
    yx: AnyArray
    yy: AnyArray
    inverse_zz: AnyArray


def permittivity(layer: PillarLayer, orders: FourierOrders) -> Permittivity:
    """The factorised operator of one layer, real where pillars mirror each other and nothing absorbs."""
    e_pillar, e_around = _squared(layer.index), _squared(layer.around)
    table = _Table(orders)
    ex, ey, ez = orders.ex, orders.ey, orders.ez
    fill = _fill(layer, table)
    eps = table.kernel(_two_valued(fill, table, e_pillar, e_around))
    inverse_zz = np.linalg.inv(ez.matrix(eps))
    if layer.squares:
        xx, yy = ex.matrix(_across_x(layer, orders)), ey.matrix(_across_y(layer, orders))
        none = np.zeros((len(ex), len(ey)))
        return Permittivity(xx, none, none.T, yy, inverse_zz)
    inverse = table.kernel(_two_valued(fill, table, 1 / e_pillar, 1 / e_around))
    eps_x, eps_y = ex.matrix(eps), ey.matrix(eps)
    delta_x = eps_x - np.linalg.inv(ex.matrix(inverse))
    delta_y = eps_y - np.linalg.inv(ey.matrix(inverse))
    field = _normal_field(layer, table)
    n_xx, n_yy = ex.matrix(table.kernel(field[0])), ey.matrix(table.kernel(field[1]))
    cross = table.kernel(field[2])
    n_xy, n_yx = ex.matrix(cross, ey), ey.matrix(cross, ex)
    return Permittivity(
        eps_x - _half_sum(delta_x, n_xx, delta_x),
        -_half_sum(delta_x, n_xy, delta_y),
        -_half_sum(delta_y, n_yx, delta_x),
        eps_y - _half_sum(delta_y, n_yy, delta_y),
        inverse_zz,
    )


def _half_sum(left: AnyArray, middle: AnyArray, right: AnyArray) -> AnyArray:
    found: AnyArray = (left @ middle + middle @ right) / 2
    return found


def _squared(index: complex) -> complex | float:
    """The permittivity; real where the index is, so that lossless layers stay in real numbers."""
    value = complex(index) ** 2
    return value if value.imag else value.real


# --- tables of coefficients over differences of orders ----------------------------------------------


class _Table:
    """Reciprocal vectors of every difference of two orders: gx, gy (2 nu + 1, 2 nv + 1), in 1/nm."""

    def __init__(self, orders: FourierOrders) -> None:
        self.cell: Cell = orders.cell
        self.nu, self.nv = 2 * orders.reach_u, 2 * orders.reach_v
        self.u = np.arange(-self.nu, self.nu + 1)[:, None]
        self.v = np.arange(-self.nv, self.nv + 1)[None, :]
        self.gx = 2 * pi / self.cell.x_nm * self.u + 0 * self.v
        self.gy = 2 * pi / self.cell.y_nm * self.v + 0 * self.u
        g2 = np.round((self.gx * 1e3) ** 2 + (self.gy * 1e3) ** 2, 9)
        lengths, self._which = np.unique(g2.ravel(), return_inverse=True)
        self.lengths = np.sqrt(lengths) * 1e-3

    def spread(self, values: FloatArray) -> FloatArray:
        """A function of |G|, given at `lengths`, over the table."""
        return values[self._which].reshape(self.gx.shape)

    def kernel(self, values: AnyArray) -> Kernel:
        """The convolution [f] of a table of coefficients f."""
        width = 2 * self.nv + 1
        flat = values.ravel()
        middle = self.nu * width + self.nv

        def element(u: IntArray, v: IntArray, u2: IntArray, v2: IntArray) -> AnyArray:
            # one flat index: much faster than a pair of them
            return flat.take(u * width + v - (u2 * width + v2) + middle)

        return element

    def shift(self, pillar: Pillar) -> AnyArray | float:
        """exp(-i G r) of a pillar's place; 1 at the origin, and real where it is its own mirror image."""
        turns_x, turns_y = pillar.x_nm / self.cell.x_nm, pillar.y_nm / self.cell.y_nm
        if turns_x == 0 and turns_y == 0:
            return 1.0
        found: AnyArray = np.exp(-2j * pi * (turns_x * self.u + turns_y * self.v))
        if (2 * turns_x).is_integer() and (2 * turns_y).is_integer():
            return found.real.round()
        return found


def _two_valued(
    fill: AnyArray, table: _Table, inside: complex | float, outside: complex | float
) -> AnyArray:
    """Coefficients of a function that is `inside` in pillars and `outside` around them."""
    found = (inside - outside) * fill
    found[table.nu, table.nv] += outside
    return found


def _fill(layer: PillarLayer, table: _Table) -> AnyArray:
    """Coefficients of 1 within pillars, 0 around them."""
    total: AnyArray = np.zeros(table.gx.shape)
    for size_nm, pillars in _by_size(layer).items():
        if layer.squares:
            part = size_nm**2 * np.sinc(table.gx * size_nm / (2 * pi))
            part *= np.sinc(table.gy * size_nm / (2 * pi))
        else:
            x = table.lengths * size_nm / 2
            disc = np.full(x.shape, pi * size_nm**2 / 4)
            disc[x > 0] *= 2 * j1(x[x > 0]) / x[x > 0]
            part = table.spread(disc)
        for pillar in pillars:
            total = total + part * table.shift(pillar)
    return total / table.cell.area_nm2


def _by_size(layer: PillarLayer) -> dict[float, list[Pillar]]:
    found: dict[float, list[Pillar]] = {}
    for pillar in layer.pillars:
        found.setdefault(pillar.size_nm, []).append(pillar)
    return found


# --- the normal vector field of discs ----------------------------------------------------------------


def _normal_field(layer: PillarLayer, table: _Table) -> tuple[AnyArray, AnyArray, AnyArray]:
    """Coefficients of F nx nx, F ny ny and F nx ny.

    The azimuth enters as cos 2 phi and sin 2 phi, whose transforms are -cos 2 phi and -sin 2 phi times
    the Hankel transform of order 2 (Jacobi-Anger expansion).
    """
    shape = table.gx.shape
    even: AnyArray = np.zeros(shape)
    odd: AnyArray = np.zeros(shape)
    reach_nm = _reach(layer.pillars, table.cell)
    for size_nm, pillars in _by_size(layer).items():
        order_0, order_2 = (table.spread(h) for h in _cone(size_nm / 2, reach_nm, table.lengths))
        for pillar in pillars:
            shift = table.shift(pillar)
            even, odd = even + order_0 * shift, odd + order_2 * shift
    g2 = table.gx**2 + table.gy**2
    g2[table.nu, table.nv] = 1.0  # order_2 is 0 there
    cos_2 = (table.gx**2 - table.gy**2) / g2
    sin_2 = 2 * table.gx * table.gy / g2
    area = 2 * table.cell.area_nm2
    return (even - cos_2 * odd) / area, (even + cos_2 * odd) / area, -sin_2 * odd / area


def _reach(pillars: tuple[Pillar, ...], cell: Cell) -> float:
    """Where F falls to 0: a quarter of the way from the middle between two centres to the next wall.

    It may pass the middle, where nothing changes, but not a wall. Measured for silicon at 940 nm with 441
    orders, 100 to 340 nm on 400 nm: within 2 mrad of twice the orders, 5 mrad at the middle itself.
    """
    points = [(p.x_nm, p.y_nm) for p in pillars]
    if cell.centred:
        points += [(x + cell.x_nm / 2, y + cell.y_nm / 2) for x, y in points]
    nearest = min(cell.x_nm, cell.y_nm)
    for i, (x, y) in enumerate(points):
        for x2, y2 in points[:i]:
            dx, dy = (x - x2) % cell.x_nm, (y - y2) % cell.y_nm
            nearest = min(nearest, hypot(min(dx, cell.x_nm - dx), min(dy, cell.y_nm - dy)))
    wall = max(pillar.size_nm for pillar in pillars) / 2
    return nearest / 2 + max(0.0, nearest / 2 - wall) / 4


def _cone(wall_nm: float, reach_nm: float, g: FloatArray) -> tuple[FloatArray, FloatArray]:
    """2 pi times the Hankel transforms, of orders 0 and 2, of F: up to 1 at the wall, down to 0 at the reach."""
    reach_nm = max(
        reach_nm, wall_nm * (1 + 1e-9)
    )  # a pillar may be larger than the gap to its neighbour
    total_0, total_2 = np.zeros(g.shape), np.zeros(g.shape)
    for low, high in ((0.0, wall_nm), (wall_nm, reach_nm)):
        half = (high - low) / 2
        # Bessel functions turn by g (high - low) / (2 pi) over the piece; over three points a turn, and some, are exact
        points = 20 + 8 * ceil(float(g.max(initial=0.0)) * half / 8)
        nodes, weights = _gauss(points)
        rho = low + half * (nodes + 1)
        cone = rho / wall_nm if high == wall_nm else (reach_nm - rho) / (reach_nm - wall_nm)
        x = np.outer(g, rho)
        bessel_0 = j0(x)
        # J2 = 2 J1(x)/x - J0; below 1e-4 the series x^2/8 is exact to rounding
        bessel_2 = np.where(x > 1e-4, 2 * j1(x) / np.where(x > 1e-4, x, 1.0) - bessel_0, x * x / 8)
        share = 2 * pi * half * weights * rho * cone
        total_0 += bessel_0 @ share
        total_2 += bessel_2 @ share
    return total_0, total_2


@cache
def _gauss(points: int) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of Gauss-Legendre sums over -1 to 1."""
    nodes, weights = np.polynomial.legendre.leggauss(points)
    return nodes, weights


# --- the inverse rule across the walls of squares ----------------------------------------------------


def _across_x(layer: PillarLayer, orders: FourierOrders) -> Kernel:
    """Ex -> Dx: the inverse rule along x, the plain one along y."""
    cell, (nu, nv) = orders.cell, (orders.reach_u, orders.reach_v)
    squares = [(p.x_nm, p.y_nm, p.size_nm) for p in layer.pillars]
    if cell.centred:
        squares += [(x + cell.x_nm / 2, y + cell.y_nm / 2, side) for x, y, side in squares]
    strips = _strips(layer, squares, cell.x_nm, cell.y_nm, nu, nv)
    outside = _squared(layer.around)

    def element(u: IntArray, v: IntArray, u2: IntArray, v2: IntArray) -> AnyArray:
        total: AnyArray = np.where((u == u2) & (v == v2), outside, 0.0)
        for inverse, strip in strips:
            total = total + inverse[u + nu, u2 + nu] * strip[v - v2 + 2 * nv]
        return total

    return element


def _across_y(layer: PillarLayer, orders: FourierOrders) -> Kernel:
    """Ey -> Dy: the inverse rule along y, the plain one along x."""
    cell, (nu, nv) = orders.cell, (orders.reach_u, orders.reach_v)
    squares = [(p.y_nm, p.x_nm, p.size_nm) for p in layer.pillars]
    if cell.centred:
        squares += [(y + cell.y_nm / 2, x + cell.x_nm / 2, side) for y, x, side in squares]
    strips = _strips(layer, squares, cell.y_nm, cell.x_nm, nv, nu)
    outside = _squared(layer.around)

    def element(u: IntArray, v: IntArray, u2: IntArray, v2: IntArray) -> AnyArray:
        total: AnyArray = np.where((u == u2) & (v == v2), outside, 0.0)
        for inverse, strip in strips:
            total = total + inverse[v + nv, v2 + nv] * strip[u - u2 + 2 * nu]
        return total

    return element


def _strips(
    layer: PillarLayer,
    squares: list[tuple[float, float, float]],
    period: float,
    across: float,
    n: int,
    n_across: int,
) -> list[tuple[AnyArray, AnyArray]]:
    """Strips of the cell within which the profile along `period` does not change.

    squares: (place along, place across, side). For each strip that meets a square: the inverse of
    [1/eps] along it less the surrounding, (2 n + 1, 2 n + 1), and the strip's own coefficients,
    (4 n_across + 1,).
    """
    inside, outside = _squared(layer.index), _squared(layer.around)
    edges = sorted({(at + sign * side / 2) % across for _, at, side in squares for sign in (-1, 1)})
    whole = np.arange(-2 * n, 2 * n + 1)
    orders = np.arange(-n, n + 1)
    differ = orders[:, None] - orders[None, :] + 2 * n
    order = np.arange(-2 * n_across, 2 * n_across + 1)
    found: list[tuple[AnyArray, AnyArray]] = []
    for low, high in zip(edges, [*edges[1:], edges[0] + across], strict=True):
        middle, width = (low + high) / 2, high - low
        met = [
            (along, side)
            for along, at, side in squares
            if abs((middle - at + across / 2) % across - across / 2) < side / 2
        ]
        if not met or width < 1e-9 * across:
            continue
        profile: AnyArray = np.zeros(whole.size)
        for along, side in met:
            part = side / period * np.sinc(whole * side / period)
            profile = profile + part * _turn(whole, along / period)
        profile = (1 / inside - 1 / outside) * profile
        profile[2 * n] += 1 / outside
        inverse = np.linalg.inv(profile[differ]) - outside * np.eye(orders.size)
        strip = width / across * np.sinc(order * width / across) * _turn(order, middle / across)
        found.append((inverse, strip))
    return found


def _turn(order: IntArray, turns: float) -> AnyArray | float:
    """exp(-2 pi i order turns), real where it is."""
    turns %= 1.0
    if turns == 0:
        return 1.0
    found: AnyArray = np.exp(-2j * pi * turns * order)
    return found.real.round() if turns == 0.5 else found
