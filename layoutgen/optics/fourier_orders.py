"""The Fourier orders that a periodic field is written in, folded where a mirror leaves the problem as it is.

A field component is a sum over orders (u, v) of exp(i (kx x + ky y)) with kx = kx0 + 2 pi u / cell.x,
ky = ky0 + 2 pi v / cell.y; of a centred cell only orders with u + v even exist. Orders fill a box in
k, the same reach along x and y: it was steadier in trials than a disc.

Where x -> -x leaves pillars and light as they are (kx0 = 0), each component is even or odd in x, and
orders u and -u stand for one unknown, (e_u + p e_-u) / sqrt(2); likewise in y. With a, b = +1 or -1 the
parities (in x, in y) that go together are

    Ex (a, b)   Ey (-a, -b)   Ez (-a, b)

x-polarised light at normal incidence has a = b = 1, y-polarised a = b = -1. Two mirrors leave a quarter
of the unknowns, so a sixty-fourth of the work. The folded basis is orthonormal: powers stay sums of squares.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from math import floor, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.optics.stack import Cell

__all__ = ["Component", "FourierOrders", "fourier_orders"]

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
AnyArray = NDArray[Any]  # real where pillars mirror each other and nothing absorbs, else complex
#: (u, v, u', v') -> matrix element between order (u', v') and order (u, v); arrays that broadcast.
Kernel = Callable[[IntArray, IntArray, IntArray, IntArray], AnyArray]


@dataclass(frozen=True, eq=False, slots=True)
class Component:
    """One field component's unknowns: orders u, v (n,), and its parities; 0 where nothing is folded.

    place: where each unknown stands in the list of all folded orders, (n,).
    """

    u: IntArray
    v: IntArray
    parity_x: int
    parity_y: int
    place: IntArray

    def __len__(self) -> int:
        return int(self.u.size)

    @property
    def images(self) -> IntArray:
        """How many plane waves each unknown stands for, 1, 2 or 4."""
        n = np.ones(self.u.size, dtype=np.int64)
        if self.parity_x:
            n *= np.where(self.u > 0, 2, 1)
        if self.parity_y:
            n *= np.where(self.v > 0, 2, 1)
        return n

    def matrix(self, kernel: Kernel, columns: Component | None = None) -> AnyArray:
        """An operator that the mirrors leave as it is, from `columns` to this component."""
        other = self if columns is None else columns
        u, v = self.u[:, None], self.v[:, None]
        signs_x = ((1, 1), (-1, other.parity_x)) if other.parity_x else ((1, 1),)
        signs_y = ((1, 1), (-1, other.parity_y)) if other.parity_y else ((1, 1),)
        total: AnyArray | None = None
        for turn_x, sign_x in signs_x:
            for turn_y, sign_y in signs_y:
                part = kernel(u, v, turn_x * other.u[None, :], turn_y * other.v[None, :])
                part = part if sign_x * sign_y > 0 else -part
                total = part if total is None else total + part
        assert total is not None
        group = len(signs_x) * len(signs_y)
        if group == 1:
            return total
        weight = np.sqrt(np.outer(self.images, other.images)) / group
        return total * weight


@dataclass(frozen=True, eq=False, slots=True)
class FourierOrders:
    """All orders of one problem: lateral wave vectors over that of vacuum, and the components' unknowns.

    u, v, kx, ky: (orders,), the folded list, its first entry the order (0, 0). reach_u, reach_v: the
    largest orders. k0: vacuum wave number in 1/nm.
    """

    cell: Cell
    k0: float
    u: IntArray
    v: IntArray
    kx: FloatArray
    ky: FloatArray
    ex: Component
    ey: Component
    ez: Component

    @property
    def reach_u(self) -> int:
        return int(np.abs(self.u).max())

    @property
    def reach_v(self) -> int:
        return int(np.abs(self.v).max())

    @property
    def unknowns(self) -> int:
        """Of the lateral field: those of Ex and those of Ey."""
        return len(self.ex) + len(self.ey)


def fourier_orders(
    cell: Cell,
    count: int,
    *,
    wavelength_nm: float,
    along: tuple[float, float] = (0.0, 0.0),
    mirror_x: int = 0,
    mirror_y: int = 0,
) -> FourierOrders:
    """About `count` orders (never more), folded by the mirrors that are given.

    along: kx0, ky0 over the vacuum wave number. mirror_x is a, mirror_y b of the module's text, 0
    where that mirror is not one of the problem's.
    """
    k0 = 2 * pi / wavelength_nm
    u, v = _box(cell, count)
    if mirror_x:
        v, u = v[u >= 0], u[u >= 0]
    if mirror_y:
        u, v = u[v >= 0], v[v >= 0]
    nearest = np.lexsort((v, u, u * u + v * v))
    u, v = u[nearest], v[nearest]
    if (mirror_x and along[0]) or (mirror_y and along[1]):
        raise ValueError(f"want light within the mirror, got the direction {along}")

    kx = along[0] + u.astype(np.float64) * (2 * pi / (cell.x_nm * k0))
    ky = along[1] + v.astype(np.float64) * (2 * pi / (cell.y_nm * k0))

    def component(parity_x: int, parity_y: int) -> Component:
        keep = np.ones(u.size, dtype=np.bool_)
        if parity_x < 0:
            keep &= u > 0
        if parity_y < 0:
            keep &= v > 0
        return Component(u[keep], v[keep], parity_x, parity_y, np.flatnonzero(keep))

    return FourierOrders(
        cell,
        k0,
        u,
        v,
        kx,
        ky,
        component(mirror_x, mirror_y),
        component(-mirror_x, -mirror_y),
        component(-mirror_x, mirror_y),
    )


@cache
def _box(cell: Cell, count: int) -> tuple[IntArray, IntArray]:
    """The orders of the largest box in k that holds at most `count` of them."""
    if count < 1:
        raise ValueError(f"want at least 1 order, got {count}")
    # a box of half width g holds about (2 g)^2 area / (2 pi)^2 orders; walk down from above that
    steps = sorted(
        {i / cell.x_nm for i in range(count + 1)} | {j / cell.y_nm for j in range(count + 1)}
    )
    bound = (sqrt(count) + 4) / 2 / sqrt(cell.area_nm2) + 2 / min(cell.x_nm, cell.y_nm)
    for reach in reversed([g for g in steps if g <= bound]):
        nu, nv = floor(reach * cell.x_nm * (1 + 1e-12)), floor(reach * cell.y_nm * (1 + 1e-12))
        u: IntArray = np.repeat(np.arange(-nu, nu + 1), 2 * nv + 1)
        v: IntArray = np.tile(np.arange(-nv, nv + 1), 2 * nu + 1)
        if cell.centred:
            even = (u + v) % 2 == 0
            u, v = u[even], v[even]
        if u.size <= count:
            return u, v
    zero = np.zeros(1, dtype=np.int64)
    return zero, zero
