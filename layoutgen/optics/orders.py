"""How much light a beam deflector sends into each order, from the pillar on each of its sites.

A deflector of period v (a lattice vector) has the phase r.v / |v|^2 turns. Order m leaves along v with the
sine m lambda / |v| (grating equation). Each pillar transmits its t evenly over its own cell of the lattice,
p by q, so the amplitude of the plane wave with f cycles per um along x and y is

    c(f) = mean of t exp(-2 pi i f.r) over the sites, times sinc(p f_x) sinc(q f_y)

and its efficiency |c|^2 of the light on the grating: N even steps give sinc^2(1 / N) in the first order and
sinc^2((1 - N) / N) in order 1 - N (Swanson, MIT Lincoln Lab. Tech. Rep. 854 (1989)). Sites are weighted
with a Hann window, so that a grating of a whole number of periods and a bit does not leak one order into
the next. Where v is no axis of the lattice some orders of the lattice itself, shifted by a multiple of the
phase, may leave sideways; they are listed with the lattice order that they belong to.

Lengths are um, on the part.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["GratingSum", "Order", "propagating_orders"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Multiples of the phase that are looked at for orders sideways; others repeat them or are weak.
_MOST = 24
#: Frequencies closer than this part of 1 / lambda are one order: a rounded hexagonal lattice parts what an
#: exact one holds together by less, and no grating of a few hundred periods could tell them apart.
_SAME = 5e-3


@dataclass(frozen=True, slots=True)
class Order:
    """A plane wave behind the grating: m, the lattice order (0, 0) for orders along v, cycles per um."""

    order: int
    lattice_order: tuple[int, int]
    fx: float
    fy: float
    angle_deg: float  # from the grating's normal; negative on the side of negative orders
    direction_deg: float  # from +x, counter-clockwise, of its steeper side


def propagating_orders(
    vector_um: tuple[float, float],
    *,
    pitch_um: float,
    row_um: float,
    shift_um: float,
    wavelength_um: float,
) -> list[Order]:
    """Every order that leaves into a medium in which light has this wavelength, the steepest last.

    pitch_um, row_um, shift_um: steps of the lattice, and what odd rows are moved by.
    """
    vx, vy = vector_um
    square = vx * vx + vy * vy
    limit = 1 / wavelength_um
    # reciprocal vectors of a1 = (pitch, 0), a2 = (shift, row)
    b1 = (1 / pitch_um, -shift_um / (pitch_um * row_um))
    b2 = (0.0, 1 / row_um)
    reach = math.ceil(pitch_um / wavelength_um) + 2
    along = max(_MOST, math.floor(math.sqrt(square) * limit) + 1)
    candidates = []
    for m in range(-along, along + 1):
        for g in range(-reach, reach + 1):
            for h in range(-reach, reach + 1):
                fx = m * vx / square + g * b1[0]
                fy = m * vy / square + g * b1[1] + h * b2[1]
                if math.hypot(fx, fy) < limit * (1 - 1e-12):
                    candidates.append((abs(g) + abs(h), abs(m), m, g, h, fx, fy))
    found: list[Order] = []
    for _, _, m, g, h, fx, fy in sorted(candidates):
        if any(math.hypot(fx - o.fx, fy - o.fy) < _SAME * limit for o in found):
            continue
        sine = math.hypot(fx, fy) * wavelength_um
        sign = -1.0 if m < 0 else 1.0
        found.append(
            Order(
                m, (g, h), fx, fy, sign * math.degrees(math.asin(sine)),
                math.degrees(math.atan2(sign * fy, sign * fx)) if sine else 0.0,
            )
        )  # fmt: skip
    return sorted(found, key=lambda o: (o.lattice_order != (0, 0), abs(o.order), o.order))


class GratingSum:
    """Amplitudes of orders, summed block by block over a square of sites of half side `half_um`."""

    def __init__(
        self, orders: Sequence[Order], half_um: float, cell_um: tuple[float, float]
    ) -> None:
        self.orders = list(orders)
        self.half_um = half_um
        self.fx = np.array([o.fx for o in orders])
        self.fy = np.array([o.fy for o in orders])
        self.cell = np.sinc(cell_um[0] * self.fx) * np.sinc(cell_um[1] * self.fy)
        self.sums = np.zeros(len(self.orders), dtype=np.complex128)
        self.weight = 0.0
        self.power = 0.0

    def block(
        self, t: ComplexArray, filled: NDArray[np.bool_], x_um: FloatArray, y_um: FloatArray,
        shift_um: FloatArray,
    ) -> tuple[ComplexArray, float, float]:  # fmt: skip
        """What a block adds: t (rows, cols) where `filled`, at x_um (cols,) + shift_um (rows,), y_um."""
        wx, wy = self._window(x_um), self._window(y_um)
        t = np.where(filled, t, 0)
        along = wx[:, None] * np.exp(-2j * math.pi * x_um[:, None] * self.fx)
        across = wy[:, None] * np.exp(
            -2j * math.pi * (y_um[:, None] * self.fy + shift_um[:, None] * self.fx)
        )
        sums = ((t @ along) * across).sum(axis=0)
        weights = wy @ filled @ wx
        power = wy @ (np.abs(t) ** 2) @ wx
        return sums, float(weights), float(power)

    def add(self, part: tuple[ComplexArray, float, float]) -> None:
        self.sums += part[0]
        self.weight += part[1]
        self.power += part[2]

    def _window(self, at: FloatArray) -> FloatArray:
        inside = np.clip(np.abs(at) / self.half_um, 0.0, 1.0)
        found: FloatArray = np.cos(math.pi / 2 * inside) ** 2
        return found

    @property
    def efficiencies(self) -> FloatArray:
        """|c|^2 of each order, of the light on the grating."""
        if not self.weight:
            return np.zeros(len(self.orders))
        found: FloatArray = np.abs(self.sums / self.weight * self.cell) ** 2
        return found

    @property
    def transmitted(self) -> float:
        """Mean of |t|^2."""
        return self.power / self.weight if self.weight else 0.0
