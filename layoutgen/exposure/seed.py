"""The first bias table: what to draw so that the exposure model prints every master to its size.

At each node (density, master) the drawn diameter is solved whose printed diameter is the master; the bias
is drawn less master. Between the nodes the layout reads the table bilinearly, so the nodes stand as close
as it takes to stay within `TOLERANCE_NM` of the model there, found by solving halfway between them.
Nodes are whole multiples of round steps and reach a margin beyond what the layout holds, because the next
tables, and a changed lens, will hold a little more.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.bias import BiasTable
from layoutgen.exposure.resist import ExposureModel

__all__ = ["SeedTable", "feedback", "seed_table", "trial_table", "why_not"]

FloatArray = NDArray[np.float64]
Range = tuple[float, float]

#: Of the bilinear table against the model: half of what a table may be off by.
TOLERANCE_NM = 0.05
MARGIN_DENSITY = 0.05
MARGIN_NM = 10.0
#: Steps of the two axes, coarsest first.
DENSITY_STEPS = (
    Fraction(1, 10),
    Fraction(1, 20),
    Fraction(1, 50),
    Fraction(1, 100),
    Fraction(1, 200),
)
DIAMETER_STEPS = (Fraction(20), Fraction(10), Fraction(5), Fraction(2), Fraction(1))
#: Feedback of sizes on densities that a trial table stays below; a real one has about 0.1.
_STEEPEST = 0.25
#: A table is written to this many decimals; 1e-4 nm is a hundredth of what is measured in an SEM.
DECIMALS = 4


@dataclass(frozen=True, eq=False, slots=True)
class SeedTable:
    """A bias table on a full grid, and how far its bilinear reading is from the model where it is read, in nm."""

    table: BiasTable
    interpolation_error_nm: float


def _bias(model: ExposureModel, densities: FloatArray, masters: FloatArray) -> FloatArray:
    """Bias (densities, masters) in nm, nan where nothing that is drawn prints at the master."""
    return model.drawn_nm(densities[:, None], masters[None, :]) - masters[None, :]


def seed_table(model: ExposureModel, density: Range, master_nm: Range) -> SeedTable:
    """The table over what a layout holds, with margin.

    ValueError ("want ..., got ...") where the model cannot print what the layout holds.
    """
    low, high = (
        np.array([density[0], density[0], density[1], density[1]]),
        np.array([master_nm[0], master_nm[1], master_nm[0], master_nm[1]]),
    )
    corners = model.drawn_nm(low, high)
    for rho, master, drawn in zip(low, high, corners, strict=True):
        if not np.isfinite(drawn):
            raise ValueError(why_not(model, float(rho), float(master)))
    i, j = 0, 0
    while True:
        found, errors = _on_grid(model, density, master_nm, DENSITY_STEPS[i], DIAMETER_STEPS[j])
        finer = i + 1 < len(DENSITY_STEPS), j + 1 < len(DIAMETER_STEPS)
        if found.interpolation_error_nm <= TOLERANCE_NM or not any(finer):
            return found
        # refine the axis between whose nodes the table is worse
        along_density = finer[0] and (errors[0] >= errors[1] or not finer[1])
        i, j = (i + 1, j) if along_density else (i, j + 1)


def _on_grid(
    model: ExposureModel,
    density: Range,
    master_nm: Range,
    density_step: Fraction,
    step_nm: Fraction,
) -> tuple[SeedTable, tuple[float, float]]:
    """The table on one grid, and its errors halfway between densities and between diameters."""
    rho = _nodes(density, MARGIN_DENSITY, density_step, 0.0, 1.0)
    size = _nodes(master_nm, MARGIN_NM, step_nm, float(step_nm), np.inf)
    rho, size, bias = _printable(model, rho, size, density, master_nm)
    table = BiasTable(rho, size, np.round(bias, DECIMALS) + 0.0)
    # only where the layout reads the table: a margin may end close to where nothing prints
    between_rho, between_size = _between(rho, density), _between(size, master_nm)
    rho, size = _around(rho, density), _around(size, master_nm)

    def off(at_rho: FloatArray, at_size: FloatArray) -> float:
        exact = _bias(model, at_rho, at_size)
        return float(np.max(np.abs(table(at_rho[:, None], at_size[None, :]) - exact), initial=0.0))

    along = off(between_rho, size), off(rho, between_size)
    return SeedTable(table, max(*along, off(between_rho, between_size))), along


def _between(nodes: FloatArray, held: Range) -> FloatArray:
    """The middles of the intervals that hold some of a range."""
    touches = (nodes[1:] >= held[0]) & (nodes[:-1] <= held[1])
    middles: FloatArray = ((nodes[1:] + nodes[:-1]) / 2)[touches]
    return middles


def _around(nodes: FloatArray, held: Range) -> FloatArray:
    """The nodes at the ends of those intervals."""
    touches = (nodes[1:] >= held[0]) & (nodes[:-1] <= held[1])
    ends = np.zeros(len(nodes), dtype=np.bool_)
    ends[1:] |= touches
    ends[:-1] |= touches
    return nodes[ends]


def _nodes(held: Range, margin: float, step: Fraction, least: float, most: float) -> FloatArray:
    """Whole multiples of a step from below held[0] - margin to above held[1] + margin, two at least."""
    size = float(step)
    first = int(np.floor(max(held[0] - margin, least) / size + 1e-9))
    last = int(np.ceil(min(held[1] + margin, most) / size - 1e-9))
    last = max(last, first + 1)
    return np.array([float(k * step) for k in range(first, last + 1)])


def _printable(
    model: ExposureModel, rho: FloatArray, size: FloatArray, density: Range, master_nm: Range
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Nodes and bias without margins that cannot print: an end moves in, at last to what is held."""
    axes, held = [rho, size], (density, master_nm)
    bias = _bias(model, *axes)
    while True:
        bad = ~np.isfinite(bias)
        if not bad.any():
            return axes[0], axes[1], bias
        edges = {(0, 0): bad[0], (0, -1): bad[-1], (1, 0): bad[:, 0], (1, -1): bad[:, -1]}
        shares = {
            (axis, end): float(edge.mean())
            for (axis, end), edge in edges.items()
            if edge.any() and axes[axis][end] != held[axis][end]
        }
        if not shares:
            i, k = np.argwhere(bad)[0]
            raise ValueError(why_not(model, float(axes[0][i]), float(axes[1][k])))
        axis, end = max(shares, key=lambda side: shares[side])
        # the margin's last node goes, or where what is held needs it moves to the end of that
        beyond, following = (
            (0, axes[axis][1]) if end == 0 else (len(axes[axis]) - 1, axes[axis][-2])
        )
        end_held = held[axis][end]
        if (following <= end_held) if end == 0 else (following >= end_held):
            axes[axis] = np.delete(axes[axis], beyond)
            bias = np.delete(bias, beyond, axis)
        else:
            axes[axis] = axes[axis].copy()
            axes[axis][end] = end_held
            there = [*axes]
            there[axis] = np.array([end_held])
            np.moveaxis(bias, axis, 0)[end] = _bias(model, *there).ravel()


def trial_table(model: ExposureModel, master_nm: Range, site_area_nm2: float) -> BiasTable:
    """A table over every density, to find out which densities a layout will hold.

    Where nothing prints, the bias of the nearest density that does (ValueError where none does); and
    never so steep that sizes and densities would not settle: far from the reference it flattens out.
    """
    rho, size = np.linspace(0.0, 1.0, 41), np.unique(np.linspace(*master_nm, 9))
    bias = _bias(model, rho, size)
    start = int(np.argmin(np.abs(rho - model.reference_density)))
    for k, master in enumerate(size):
        sound = np.isfinite(bias[:, k])
        if not sound.any():
            raise ValueError(why_not(model, model.reference_density, float(master)))
        column = np.interp(rho, rho[sound], bias[sound, k])
        most = _STEEPEST * site_area_nm2 / (np.pi / 2 * master) * (rho[1] - rho[0])
        steps = np.clip(np.diff(column), -most, most)
        bias[:, k] = np.concatenate([[0.0], np.cumsum(steps)])
        bias[:, k] += column[start] - bias[start, k]
    return BiasTable(rho, size, np.maximum(bias, -0.8 * size))


def feedback(table: BiasTable, density: Range, master_nm: Range, site_area_nm2: float) -> float:
    """How much a change of density changes the density that its own bias makes; it settles below 1.

    The most over a full lattice of any master within the ranges.
    """
    rho, size = np.linspace(*density, 33), np.linspace(*master_nm, 33)
    bias = table(rho[:, None], size[None, :])
    if density[1] <= density[0]:
        return 0.0
    slope = np.abs(np.diff(bias, axis=0)) / (rho[1] - rho[0])
    drawn = size + (bias[1:] + bias[:-1]) / 2
    return float(np.max(np.pi / 2 * drawn * slope / site_area_nm2))


def why_not(model: ExposureModel, density: float, master_nm: float) -> str:
    """Why nothing that can be drawn prints at a master, as "want ..., got ..."."""
    needed = float(model.forward_needed(density, 1.0))
    wanted = (
        f"want a base dose at which {master_nm:.4g} nm can be printed at density {density:.3g}, got"
        f" one set at density {model.reference_density:g}"
    )
    if needed <= 0:
        surplus = "background is too strong" if not model.background else "dose is too low"
        return f"{wanted}: there the {surplus} for any edge; set reference nearer to it"
    if needed >= 1:
        missing = "dose is too low" if not model.background else "background is too strong"
        return f"{wanted}: there the {missing} for any edge; set reference nearer to it"
    return f"{wanted}: there the shapes run into their neighbours before they reach that size"
