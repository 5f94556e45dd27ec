"""Uniform media on either side of the pillars: half spaces and films, order by order.

In a uniform medium every order is two plane waves, of which one has its lateral E across the lateral
wave vector (s, or TE), the other along it (p, or TM). With q = sqrt(eps - k^2), h = (Hy, -Hx):

    h = Y E     Y_s = q     Y_p = eps / q

A film of thickness d between a plane with h = Y E and the pillars shows them, with X = exp(i q k0 d),

    r = (Y_film - Y) / (Y_film + Y)        Y' = Y_film (1 - r X^2) / (1 + r X^2)

which holds no growing exponentials, however thick the film (Macleod, Thin-Film Optical Filters,
writes the same with tangents). Arrays over polarisation and order are (2, orders), s first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.optics.fourier_orders import FourierOrders
from layoutgen.optics.stack import Film

__all__ = ["Lateral", "Side"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# An order that grazes exactly (q = 0) has no Y of its own; this far from it all is well again.
SMALLEST_Q = 1e-9


class Lateral:
    """Between the unknowns of the lateral field, (n,), and s and p waves, (2, orders)."""

    def __init__(self, orders: FourierOrders) -> None:
        k = np.hypot(orders.kx, orders.ky)
        along = k == 0  # normal incidence: p is along x, s along y
        safe = np.where(along, 1.0, k)
        self.cos = np.where(along, 1.0, orders.kx / safe)
        self.sin = np.where(along, 0.0, orders.ky / safe)
        self.ex, self.ey = orders.ex.place, orders.ey.place
        n = len(self.ex)
        self.partner = np.arange(n + len(self.ey))
        _, in_x, in_y = np.intersect1d(self.ex, self.ey, assume_unique=True, return_indices=True)
        self.partner[in_x], self.partner[n + in_y] = n + in_y, in_x

    def waves(self, unknowns: ComplexArray) -> ComplexArray:
        """s and p amplitudes of every order."""
        x = np.zeros(self.cos.size, dtype=np.complex128)
        y = np.zeros(self.cos.size, dtype=np.complex128)
        x[self.ex], y[self.ey] = unknowns[: len(self.ex)], unknowns[len(self.ex) :]
        return np.stack([self.cos * y - self.sin * x, self.cos * x + self.sin * y])

    def unknowns(self, waves: ComplexArray) -> ComplexArray:
        """The lateral field of s and p amplitudes."""
        s, p = waves
        x = self.cos * p - self.sin * s
        y = self.sin * p + self.cos * s
        return np.concatenate([x[self.ex], y[self.ey]])

    def apply(self, admittance: ComplexArray, fields: NDArray[np.generic]) -> ComplexArray:
        """h of lateral fields (n, m), each a column, in front of a uniform medium."""
        s, p = admittance
        x = p * self.cos**2 + s * self.sin**2
        y = p * self.sin**2 + s * self.cos**2
        cross = (p - s) * self.cos * self.sin
        own = np.concatenate([x[self.ex], y[self.ey]])
        other = np.concatenate([cross[self.ex], cross[self.ey]])
        alone = self.partner == np.arange(self.partner.size)
        other[alone] = 0.0
        found: ComplexArray = own[:, None] * fields + other[:, None] * fields[self.partner]
        return found


@dataclass(frozen=True, eq=False, slots=True)
class _Step:
    """One film, from its outer plane to its inner one."""

    own: ComplexArray
    outer: ComplexArray
    r: ComplexArray
    x: ComplexArray


class Side:
    """A half space and the films between it and the pillars, outermost first."""

    def __init__(self, index: complex, films: Sequence[Film], orders: FourierOrders) -> None:
        self.half_space = _admittance(index, orders)
        self.steps: list[_Step] = []
        seen = self.half_space
        for film in films:
            own = _admittance(film.index, orders)
            x = np.exp(1j * _q(film.index, orders) * (orders.k0 * film.thickness_nm))
            r = (own - seen) / (own + seen)
            self.steps.append(_Step(own, seen, r, np.stack([x, x])))
            seen = own * (1 - r * x * x) / (1 + r * x * x)
        self.seen = seen

    def outward(self, inner: ComplexArray, source: ComplexArray | None = None) -> ComplexArray:
        """The field at the outermost plane from that at the pillars, both (2, orders).

        source: what drives that plane, h = -Y E + source; None behind the pillars.
        """
        sources = self._sources(source)
        field = inner
        for step, drive in zip(reversed(self.steps), reversed(sources[:-1]), strict=True):
            start = drive / (step.own + step.outer)
            back = (field - step.x * start) / (1 + step.r * step.x * step.x)
            field = (1 + step.r) * step.x * back + start
        return field

    def drive(self, source: ComplexArray) -> ComplexArray:
        """The source as the pillars meet it: h = -seen E + drive."""
        return self._sources(source)[-1]

    def _sources(self, source: ComplexArray | None) -> list[ComplexArray]:
        """The source at every plane from the outermost to the pillars."""
        found = [np.zeros_like(self.half_space) if source is None else source]
        for step in self.steps:
            inner = step.own * (1 - step.r * step.x * step.x) / (1 + step.r * step.x * step.x)
            found.append(step.x * (inner + step.own) * found[-1] / (step.own + step.outer))
        return found


def _q(index: complex, orders: FourierOrders) -> ComplexArray:
    q = np.sqrt(complex(index) ** 2 - (orders.kx**2 + orders.ky**2) + 0j)
    found: ComplexArray = np.where(np.abs(q) < SMALLEST_Q, SMALLEST_Q, q)
    return found


def _admittance(index: complex, orders: FourierOrders) -> ComplexArray:
    q = _q(index, orders)
    return np.stack([q, complex(index) ** 2 / q])
