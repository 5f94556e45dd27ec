"""One period of a deflector by coupled waves, for both polarisations: what the local approximation leaves out.

The pillars of a period get the mean finished size of their place in it, weighted as the local sum weights
them, and stand in the stack that the library's header states. That takes a square lattice, a period along
one of its axes, and a header that is a whole spec; the time grows with the cube of the period, so only
short periods are affordable.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from layoutgen.optics.coupled_waves import diffraction
from layoutgen.optics.pillar_array import GRATING_ORDERS, PillarArray, slices_for
from layoutgen.optics.stack import Light
from layoutgen.pipeline.library import array_of
from layoutgen.pipeline.light import States, blocks_of
from layoutgen.recipe.spec import spec_of_header
from layoutgen.recipe.tables import LibraryTable
from layoutgen.units import SQUARE_SIDE
from layoutgen.workers import run_in_order

__all__ = ["LONGEST", "NoSupercell", "Period", "period_of", "supercell_orders"]

FloatArray = NDArray[np.float64]

#: Pillars in a period that is still affordable: some seconds for each polarisation.
LONGEST = 10


class NoSupercell(Exception):
    """Why a deflector has none; a sentence."""


@dataclass(frozen=True, slots=True)
class Period:
    """One period: the array that its pillars stand in, and their sizes along the period, nm."""

    array: PillarArray
    flare_nm: float
    sizes_nm: tuple[float, ...]


def period_of(
    table: LibraryTable,
    wavelength_nm: float,
    period: tuple[int, int],
    states: States,
    scale_um: tuple[float, float],
    index_behind: float,
) -> Period:
    """The period of a deflector from the sizes on its sites; NoSupercell says why there is none."""
    lattice = states.sizes.variant.part.lattice
    m, n = period
    if lattice.kind != "square" or (m and n):
        raise NoSupercell("its period lies along no axis of a square lattice")
    count = abs(m + n)
    if count > LONGEST:
        raise NoSupercell(f"its period of {count} pillars takes too long (at most {LONGEST})")
    spec = spec_of_header(table.header)
    if spec is None:
        raise NoSupercell(f"the header of {table.name} does not state the whole stack")
    try:
        array = array_of(spec, wavelength_nm)
    except ValueError as error:
        raise NoSupercell(f"{table.name}: {error}") from error
    behind = array.superstrate if array.from_substrate else array.substrate
    if abs(behind - index_behind) > 1e-9:
        raise NoSupercell(f"the stack of {table.name} has another medium behind than asked for")
    if array.angle_deg:
        raise NoSupercell(f"{table.name} is a library of oblique light")
    diameter = _mean_diameters(states, count, period, scale_um)
    if not np.isfinite(diameter).all():
        raise NoSupercell("some of its pillars do not come out")
    size = diameter * (SQUARE_SIDE if array.squares else 1.0)
    pitch_nm = lattice.pitch_dbu * scale_um[1] * 1e3
    # a hundredth of a nm changes no order by 1e-4, and periods alike are computed once
    return Period(
        replace(array, pitch_nm=pitch_nm), spec.flare_nm, tuple(np.round(size, 2).tolist())
    )


def supercell_orders(period: Period, jobs: int) -> dict[str, dict[int, float]]:
    """For s and p (field across and along the deflection) the transmitted power of each order."""
    slices = slices_for(period.flare_nm)
    try:
        stack = period.array.grating(period.sizes_nm, slices)
    except ValueError as error:
        raise NoSupercell(f"its pillars cannot stand so: {error}") from error
    orders = GRATING_ORDERS * len(period.sizes_nm)
    light = Light(period.array.wavelength_nm)

    def one(polarisation: str) -> dict[int, float]:
        found = diffraction(stack, light, polarisation, orders)
        along = found.v == 0
        return dict(zip(found.u[along].tolist(), found.transmitted[along].tolist(), strict=True))

    # one thread of linear algebra per worker, so that sums keep their order
    with threadpool_limits(limits=1, user_api="blas"):
        return dict(zip("sp", run_in_order(one, "sp", min(jobs, 2)), strict=True))


def _mean_diameters(
    states: States, count: int, period: tuple[int, int], scale_um: tuple[float, float]
) -> FloatArray:
    """Mean finished diameter of each place of a period, along the period."""
    along_x = period[0] != 0
    sign = 1 if sum(period) > 0 else -1
    part = states.sizes.variant.part
    half_um = max(part.domain.extent) * scale_um[1]
    pitch_um = part.lattice.pitch_dbu * scale_um[1]
    weight, total = np.zeros(count), np.zeros(count)
    for block, x, y in blocks_of(states, scale_um):
        # sites stand half a pitch off the middle
        place = np.rint(sign * (x if along_x else y) / pitch_um - 0.5).astype(np.int64) % count
        places = np.broadcast_to(place[None, :] if along_x else place[:, None], block.shape)
        window = np.outer(
            np.cos(math.pi / 2 * np.clip(y / half_um, -1, 1)) ** 2,
            np.cos(math.pi / 2 * np.clip(x / half_um, -1, 1)) ** 2,
        )
        w = np.where(block > 0, window, 0.0).ravel()
        d = np.where(block > 0, states.diameter_nm[block], 0.0).ravel()
        weight += np.bincount(places.ravel(), w, count)
        total += np.bincount(places.ravel(), w * d, count)
    found: FloatArray = total / np.where(weight > 0, weight, np.nan)
    return found
