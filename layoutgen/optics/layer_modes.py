"""Eigenmodes of a layer of pillars: fields that keep their form along z and turn as exp(i q k0 z).

With K = (kx, ky), K' = (-ky, kx), lengths in 1/k0, h = (Hy, -Hx) scaled by the vacuum impedance, and D = eps E:

    dE/dz = i P h    P = 1 - K inverse_zz K^T
    dh/dz = i Q E    Q = eps - K' K'^T

(Maxwell's equations for exp(-i w t), Ez and Hz taken out). So P Q W = W q^2, and a mode with lateral
E = W has h = V = Q W / q. P and Q are symmetric without absorption, which is what conserves power.
Source: Moharam et al., J. Opt. Soc. Am. A 12, 1068 (1995), in this notation; Li (1997) for two axes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.optics.fourier_orders import FourierOrders
from layoutgen.optics.permittivity import Permittivity

__all__ = ["LayerModes", "layer_modes"]

AnyArray = NDArray[Any]  # real or complex
ComplexArray = NDArray[np.complex128]

# A mode exactly at cut-off (q = 0) has no h of its own; this far from it all is well again.
SMALLEST_Q = 1e-7


@dataclass(frozen=True, eq=False, slots=True)
class LayerModes:
    """Columns are modes: electric (n, n), magnetic (n, n); q (n,) in vacuum wave numbers, Im q >= 0."""

    electric: AnyArray
    magnetic: ComplexArray
    q: ComplexArray


def layer_modes(eps: Permittivity, orders: FourierOrders) -> LayerModes:
    """The modes of one layer; all lateral unknowns, those of Ex first."""
    p, q_matrix = _p(eps, orders), _q(eps, orders)
    square, electric = np.linalg.eig(p @ q_matrix)
    q = outgoing_root(square)
    q = np.where(np.abs(q) < SMALLEST_Q, SMALLEST_Q, q)
    return LayerModes(electric, (q_matrix @ electric) / q, q)


def outgoing_root(square: AnyArray) -> ComplexArray:
    """The square root that decays, or travels forward where it does not decay."""
    q = np.sqrt(np.asarray(square, dtype=np.complex128))
    # rounding may leave a travelling mode with a trace of Im q < 0; only real growth is turned round
    backward = q.imag < -1e-9 * np.abs(q)
    found: ComplexArray = np.where(backward, -q, q)
    return found


def _p(eps: Permittivity, orders: FourierOrders) -> AnyArray:
    ex, ey = orders.ex.place, orders.ey.place
    # where an order has no Ez of its own, its kx or ky is 0 and any row will do
    of_order = np.zeros(orders.u.size, dtype=np.int64)
    of_order[orders.ez.place] = np.arange(len(orders.ez))
    rows = of_order[np.concatenate([ex, ey])]
    k = np.concatenate([orders.kx[ex], orders.ky[ey]])
    found: AnyArray = -(k[:, None] * eps.inverse_zz[np.ix_(rows, rows)] * k[None, :])
    found[np.diag_indices(k.size)] += 1.0
    return found


def _q(eps: Permittivity, orders: FourierOrders) -> AnyArray:
    ex, ey = orders.ex.place, orders.ey.place
    found: AnyArray = np.block([[eps.xx, eps.xy], [eps.yx, eps.yy]])
    n = len(ex)
    found[np.arange(n), np.arange(n)] -= orders.ky[ex] ** 2
    at = np.arange(n, n + len(ey))
    found[at, at] -= orders.kx[ey] ** 2
    _, in_x, in_y = np.intersect1d(ex, ey, assume_unique=True, return_indices=True)
    both = orders.kx[ex[in_x]] * orders.ky[ex[in_x]]
    found[in_x, n + in_y] += both
    found[n + in_y, in_x] += both
    return found
