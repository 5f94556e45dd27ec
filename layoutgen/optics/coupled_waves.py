"""Coupled waves: what a periodic array of pillars transmits and reflects, order by order.

The lateral field is written in Fourier orders, each layer of pillars in its eigenmodes, and both are
joined at the planes between layers (rigorous coupled-wave analysis: Moharam et al., J. Opt. Soc. Am. A
12, 1068 and 1077 (1995); Li, J. Opt. Soc. Am. A 13, 1024 (1996), on joining without growing exponentials).
Fields go as exp(-i w t), so a longer optical path is a larger phase.

From the exit back to the entry, with a and b the modes that leave the two planes of a layer, X = exp(i q k0 d)
and h = Y E behind it:

    b = R X a    R = (V + Y W)^-1 (V - Y W)    E = W (a + X b)    h = V (a - X b)

and in front of the first layer h = -Y' E + drive. Amplitudes of zero-order light are taken
where the pillars begin and end: the incident wave is continued to the plane of the pillars that it
meets first, the transmitted one back to the plane that it leaves them by.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.optics.films import Lateral, Side
from layoutgen.optics.fourier_orders import FourierOrders, fourier_orders
from layoutgen.optics.layer_modes import LayerModes, layer_modes
from layoutgen.optics.permittivity import permittivity
from layoutgen.optics.stack import Light, Stack

__all__ = ["Diffraction", "diffraction"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
ComplexArray = NDArray[np.complex128]
AnyArray = NDArray[Any]  # real or complex

# Modes that lose all but this of their amplitude across a layer do not come back from its far plane.
# Their part is below the rounding of the others.
FORGOTTEN = 1e-18


@dataclass(frozen=True, eq=False, slots=True)
class Diffraction:
    """Light that leaves an array, for a plane wave of unit power.

    transmission, reflection: complex zero-order amplitudes of the incident polarisation; their squared
    modulus is a power. u, v: the orders that travel on either side, (orders,); transmitted, reflected:
    their powers, both polarisations together. sin_x, sin_y: their lateral wave vectors over that of
    vacuum. unknowns: size of the eigenproblem.
    """

    transmission: complex
    reflection: complex
    u: IntArray
    v: IntArray
    sin_x: FloatArray
    sin_y: FloatArray
    transmitted: FloatArray
    reflected: FloatArray
    unknowns: int

    @property
    def lost(self) -> float:
        """Power that neither comes through nor back: absorbed, or an error where nothing absorbs."""
        return float(1 - self.transmitted.sum() - self.reflected.sum())

    def order(self, u: int, v: int = 0) -> tuple[float, float]:
        """Transmitted and reflected power of one order; 0 where it does not travel."""
        at = (self.u == u) & (self.v == v)
        return float(self.transmitted[at].sum()), float(self.reflected[at].sum())


def diffraction(stack: Stack, light: Light, polarisation: str, orders: int) -> Diffraction:
    """Solve one stack for one polarisation with at most `orders` Fourier orders.

    polarisation: s, the electric field across the plane of incidence, or p, in it; at normal incidence p is
    along x and s along y, whatever the azimuth.
    """
    if polarisation not in ("s", "p"):
        raise ValueError(f"want the polarisation s or p, got {polarisation!r}")
    if complex(stack.index_in).imag:
        raise ValueError(f"want light from a medium that does not absorb, got {stack.index_in}")
    along = light.along(stack.index_in)
    sign = 1 if _along_x(along, polarisation) else -1
    mirror_x, mirror_y = _mirrors(stack)
    basis = fourier_orders(
        stack.cell,
        orders,
        wavelength_nm=light.wavelength_nm,
        along=along,
        mirror_x=sign if mirror_x and along[0] == 0 else 0,
        mirror_y=sign if mirror_y and along[1] == 0 else 0,
    )
    lateral = Lateral(basis)
    entry = Side(stack.index_in, stack.entry, basis)
    leave = Side(stack.index_out, stack.exit[::-1], basis)
    incident = np.zeros((2, basis.u.size), dtype=np.complex128)
    which = 0 if polarisation == "s" else 1
    incident[which, 0] = 1.0
    source = 2 * entry.half_space * incident
    drive = lateral.unknowns(entry.drive(source))
    first, last = _through(stack, basis, entry, leave, drive)
    back = entry.outward(lateral.waves(first), source) - incident
    out = leave.outward(lateral.waves(last))
    return _powers(stack, basis, which, entry, leave, back, out)


# --- symmetry -------------------------------------------------------------------------------------


def _along_x(along: tuple[float, float], polarisation: str) -> bool:
    """Whether the incident lateral field is along x (else along y, or neither and no mirror holds)."""
    if polarisation == "p":
        return along[1] == 0
    return along[0] == 0 and along[1] != 0


def _mirrors(stack: Stack) -> tuple[bool, bool]:
    """Whether x -> -x, and y -> -y, leave every layer of pillars as it is."""
    return _mirrored(stack, -1, 1), _mirrored(stack, 1, -1)


def _mirrored(stack: Stack, sign_x: int, sign_y: int) -> bool:
    cell = stack.cell

    def key(x_nm: float, y_nm: float, size_nm: float) -> tuple[float, float, float]:
        x, y = round(x_nm % cell.x_nm, 6), round(y_nm % cell.y_nm, 6)
        x, y = (0.0 if x == round(cell.x_nm, 6) else x), (0.0 if y == round(cell.y_nm, 6) else y)
        return x, y, size_nm

    for layer in stack.pillars:
        points = [(p.x_nm, p.y_nm, p.size_nm) for p in layer.pillars]
        if cell.centred:
            points += [(x + cell.x_nm / 2, y + cell.y_nm / 2, size) for x, y, size in points]
        there = {key(*point) for point in points}
        if {key(sign_x * x, sign_y * y, size) for x, y, size in points} != there:
            return False
    return True


# --- layers of pillars ------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, slots=True)
class _Layer:
    """W and X of one layer, b = returned @ a[live], and E at its front plane as a matrix on a."""

    electric: AnyArray
    x: ComplexArray
    live: NDArray[np.bool_]
    returned: AnyArray
    front: ComplexArray

    def far(self, a: AnyArray) -> ComplexArray:
        """E at the far plane."""
        found: ComplexArray = self.electric @ (self.x * a + self.returned @ a[self.live])
        return found


def _joined(
    modes: LayerModes, behind: AnyArray, thickness_nm: float, k0: float
) -> tuple[_Layer, ComplexArray]:
    """The layer in front of a plane with h = Y E, and h at its own front plane as a matrix on a.

    behind: Y W.
    """
    w, v = modes.electric, modes.magnetic
    x = np.exp(1j * modes.q * (k0 * thickness_nm))
    live = np.abs(x) > FORGOTTEN
    returned: AnyArray = np.linalg.solve(v + behind, (v - behind)[:, live]) * x[live]
    back = x[:, None] * returned
    e, h = w.astype(np.complex128), v.copy()
    e[:, live] += w @ back
    h[:, live] -= v @ back
    return _Layer(w, x, live, returned, e), h


def _through(
    stack: Stack, basis: FourierOrders, entry: Side, leave: Side, drive: ComplexArray
) -> tuple[ComplexArray, ComplexArray]:
    """The lateral field where the pillars begin and where they end, (n,) each."""
    lateral = Lateral(basis)
    solved: list[_Layer] = []
    admittance: AnyArray | None = None
    h: AnyArray = np.zeros(0)
    for slab in reversed(stack.pillars):
        if solved:
            admittance = np.linalg.solve(solved[-1].front.T, h.T).T
        modes = layer_modes(permittivity(slab, basis), basis)
        if admittance is None:
            behind: AnyArray = lateral.apply(leave.seen, modes.electric)
        else:
            behind = admittance @ modes.electric
        layer, h = _joined(modes, behind, slab.thickness_nm, basis.k0)
        solved.append(layer)
    layer = solved.pop()
    a: AnyArray = np.linalg.solve(h + lateral.apply(entry.seen, layer.front), drive)
    first: AnyArray = layer.front @ a
    field = layer.far(a)
    for layer in reversed(solved):
        field = layer.far(np.linalg.solve(layer.front, field))
    return first, field


# --- what comes out -----------------------------------------------------------------------------------


def _powers(
    stack: Stack,
    basis: FourierOrders,
    which: int,
    entry: Side,
    leave: Side,
    back: ComplexArray,
    out: ComplexArray,
) -> Diffraction:
    unit = entry.half_space[which, 0].real
    # a folded order's power is shared by its images; Ex and Ey of one order have as many
    transmitted = (leave.half_space.real * np.abs(out) ** 2).sum(axis=0) / unit
    reflected = (entry.half_space.real * np.abs(back) ** 2).sum(axis=0) / unit
    k2 = basis.kx**2 + basis.ky**2
    travels_in = k2 < complex(stack.index_in).real ** 2
    travels_out = k2 < (complex(stack.index_out) ** 2).real
    absorbs = complex(stack.index_out).imag > 0
    transmitted = np.where(travels_out | absorbs, transmitted, 0.0)
    reflected = np.where(travels_in, reflected, 0.0)
    u, v, kx, ky, place, share = _images(basis, travels_in | travels_out)
    amplitude = out[which, 0] * np.sqrt(leave.half_space[which, 0].real / unit)
    q_in = np.sqrt(complex(stack.index_in) ** 2 - k2[0])
    q_out = np.sqrt(complex(stack.index_out) ** 2 - k2[0] + 0j)
    path = q_in.real * sum(f.thickness_nm for f in stack.entry)
    path += q_out.real * sum(f.thickness_nm for f in stack.exit)
    return Diffraction(
        transmission=complex(amplitude * np.exp(-1j * basis.k0 * path)),
        reflection=complex(back[which, 0] * np.exp(-2j * basis.k0 * q_in.real * sum(
            f.thickness_nm for f in stack.entry))),
        u=u, v=v, sin_x=kx, sin_y=ky,
        transmitted=transmitted[place] * share, reflected=reflected[place] * share,
        unknowns=basis.unknowns,
    )  # fmt: skip


def _images(
    basis: FourierOrders, keep: NDArray[np.bool_]
) -> tuple[IntArray, IntArray, FloatArray, FloatArray, IntArray, FloatArray]:
    """Folded orders that travel, unfolded: u, v, kx, ky, the folded order's place, its share of the power."""
    signs_x = (1, -1) if basis.ex.parity_x else (1,)
    signs_y = (1, -1) if basis.ex.parity_y else (1,)
    found: dict[tuple[int, int], int] = {}
    for at in np.flatnonzero(keep).tolist():
        for sign_x in signs_x:
            for sign_y in signs_y:
                found[sign_x * int(basis.u[at]), sign_y * int(basis.v[at])] = at
    pairs = np.array(sorted(found), dtype=np.int64).reshape(-1, 2)
    place = np.array([found[int(u), int(v)] for u, v in pairs], dtype=np.int64)
    share: FloatArray = 1 / np.bincount(place, minlength=basis.u.size)[place]
    scale = 2 * pi / basis.k0
    kx: FloatArray = basis.kx[0] + pairs[:, 0] * scale / basis.cell.x_nm
    ky: FloatArray = basis.ky[0] + pairs[:, 1] * scale / basis.cell.y_nm
    return pairs[:, 0], pairs[:, 1], kx, ky, place, share
