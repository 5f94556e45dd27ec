"""Which finished diameter stands on each site of a lens or grating, judged from one stage of its making.

    target     what the optics wants
    drawn      what is in the layout file, taken to come out as it is drawn
    printed    what the exposure model makes of the drawn size at its density
    measured   what the process that `refine` fitted makes of it

Drawn, printed and measured sizes are the master's; the replication biases bring them to the finished part.
Collars are not part of the optics and are left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.exposure.bias import BiasTable
from layoutgen.exposure.coder import Coder
from layoutgen.exposure.part_raster import PartRaster
from layoutgen.exposure.resist import ExposureModel
from layoutgen.exposure.solve import solve
from layoutgen.layout.tree import Variant
from layoutgen.pipeline.design import Wafer
from layoutgen.wafer.scene import own_frame

FloatArray = NDArray[np.float64]
StateArray = NDArray[np.unsignedinteger]

STAGES = ("target", "drawn", "printed", "measured")
#: Diameters of a continuous stage are told apart in these steps: 0.02 nm is 1 mrad of phase at most.
_STEP_NM = 0.02
#: Densities at which sizes are computed are whole parts of this; splines between them are good to 2 pm.
_PER_DENSITY = 16

#: Master diameter from density and drawn diameter, both (n,); no number where no pillar comes out.
Process = Callable[[FloatArray, FloatArray], FloatArray]


@dataclass(frozen=True, eq=False, slots=True)
class Sizes:
    """States of a block's sites, and the finished diameter of each state in nm: entry 0, an empty site, is nan."""

    variant: Variant
    diameter_nm: FloatArray
    _block: Callable[[int], StateArray]

    def block(self, index: int) -> StateArray:
        """States (rows, cols) of block `index`, 0 outside the aperture."""
        states = self._block(index).copy()
        lo, hi = self.variant.part.sites[index].runs_inside
        cols = np.arange(states.shape[1])[None, :]
        states[(cols < lo[:, None]) | (cols >= hi[:, None])] = 0
        return states


@dataclass(frozen=True, eq=False, slots=True)
class Fitted:
    """A process as `refine` fitted it: the bias that brings a pillar out at its master, and d(measured)/d(drawn)."""

    bias: BiasTable
    slope: float

    def master_nm(
        self, density: FloatArray, master_nm: FloatArray, drawn_nm: FloatArray
    ) -> FloatArray:
        """What comes out at the master, at the wafer's centre; arrays that broadcast."""
        return master_nm + self.slope * (drawn_nm - master_nm - self.bias(density, master_nm))


def sizes_of(
    wafer: Wafer, variant: Variant, stage: str, *, printed: Process | None = None,
    fitted: Fitted | None = None, jobs: int = 1,
) -> Sizes:  # fmt: skip
    """The sizes of a variant at a stage; `printed` and `fitted` are what those two stages need."""
    part, masters = variant.part, variant.design.masters
    bias_nm = wafer.loaded.recipe.replication_bias_nm
    if stage == "target":
        return Sizes(variant, _with_empty(masters.target_nm), part.block)
    ladder = variant.coder.ladder
    drawn = np.array([ladder.diameter_nm(code) for code in range(1, ladder.count + 1)])
    if stage == "drawn":
        return Sizes(
            variant, _with_empty(drawn + bias_nm),
            lambda index: variant.coder.block(part.sites[index], part.block(index)).codes,
        )  # fmt: skip
    coder = _seeing_coder(wafer, variant, jobs)
    if stage == "printed" and printed is not None:
        master = _printed_masters(coder, drawn, printed)
    elif stage == "measured" and fitted is not None:
        on_sites = drawn[coder.codes[:, 1:].astype(np.int64) - 1]
        master = fitted.master_nm(coder.densities[:, None], masters.master_nm, on_sites)
        master = np.where(master > 0, master, np.nan)
    else:
        raise ValueError(f"want what {stage!r} sizes come from")
    table, diameter = _states(master)
    return Sizes(
        variant, _with_empty(diameter + bias_nm),
        lambda index: coder.through(table, part.sites[index], part.block(index)),
    )  # fmt: skip


def _with_empty(diameter_nm: FloatArray) -> FloatArray:
    return np.concatenate([[np.nan], diameter_nm])


def printing(wafer: Wafer, variant: Variant) -> Process:
    """The exposure model on a variant's lattice; InputError where the recipe does not give one."""
    design, exposure = variant.design, wafer.loaded.recipe.exposure
    try:
        model = ExposureModel.of(
            exposure, design.lattice, design.dbu_nm, squares=variant.coder.ladder.squares
        )
    except ValueError as error:
        raise InputError(
            f"exposure: {error} (printed sizes need it; predict from target or drawn sizes instead)"
        ) from error
    return lambda density, drawn: model.printed_nm(density, drawn)


def remembered(process: Process) -> Process:
    """The same process, which computes each pair of density and diameter once."""
    known: dict[tuple[float, float], float] = {}

    def recall(density: FloatArray, drawn_nm: FloatArray) -> FloatArray:
        pairs = list(zip(density.tolist(), drawn_nm.tolist(), strict=True))
        new = [pair for pair in pairs if pair not in known]
        if new:
            made = process(np.array([p[0] for p in new]), np.array([p[1] for p in new]))
            known.update(zip(new, made.tolist(), strict=True))
        return np.array([known[pair] for pair in pairs])

    return recall


def _seeing_coder(wafer: Wafer, variant: Variant, jobs: int) -> Coder:
    """The variant's coder with a density; where no bias depends on it, nobody has computed it yet."""
    exposed, design = wafer.exposed, variant.design
    if variant.coder.density is not None or not exposed.terms:
        return variant.coder
    raster = PartRaster(variant.part, exposed.terms, 0.0)
    density = solve(
        variant.part, exposed, design.site_area_nm2, raster=raster, seen=False, jobs=jobs,
        frame=own_frame(design, exposed, wafer.plan.frame_width_dbu or 0),
    )  # fmt: skip
    return Coder(
        design.masters,
        variant.coder.ladder,
        exposed,
        density,
        variant.coder.added,
        variant.split_nm,
    )


def _printed_masters(coder: Coder, drawn_nm: FloatArray, process: Process) -> FloatArray:
    """Printed diameters (densities, masters) of a coder's table of codes; nan where no pillar comes out."""
    from scipy.interpolate import CubicSpline

    rows = coder.densities
    used = np.unique(coder.codes[:, 1:])
    first, last = math.floor(rows[0] * _PER_DENSITY), math.ceil(rows[-1] * _PER_DENSITY)
    first = max(min(first, last - 3), 0)  # a spline takes four nodes
    nodes = np.arange(first, max(last, first + 3) + 1) / _PER_DENSITY
    out = process(
        np.repeat(nodes, len(used)), np.tile(drawn_nm[used.astype(np.int64) - 1], len(nodes))
    ).reshape(len(nodes), len(used))
    out = np.where(np.isfinite(out) & (out > 0), out, np.nan)
    column = np.searchsorted(used, coder.codes[:, 1:])
    master = np.full(column.shape, np.nan)
    whole: NDArray[np.bool_] = np.asarray(np.isfinite(out).all(axis=0))
    if whole.any():
        at_rows = np.full((len(rows), len(used)), np.nan)
        at_rows[:, whole] = CubicSpline(nodes, out[:, whole])(rows)
        master = np.take_along_axis(at_rows, column, axis=1)
    # where some densities let nothing print, straight lines between those that do
    at = np.clip((rows - nodes[0]) * _PER_DENSITY, 0, len(nodes) - 1)
    low = np.clip(np.floor(at).astype(np.int64), 0, len(nodes) - 2)[:, None]
    part = at[:, None] - low
    straight = out[low, column] * (1 - part) + out[low + 1, column] * part
    return np.where(whole[column], master, straight)


def _states(master: FloatArray) -> tuple[NDArray[np.uint16], FloatArray]:
    """A table for `Coder.through` that gives states, and the diameter of each state from 1 on.

    master is (densities, masters), nan where no pillar comes out.
    """
    if not np.isfinite(master).any():
        raise InputError(
            "exposure: want a process that leaves pillars at these densities, got one that leaves none"
        )
    first = np.nanmin(master)
    state = np.rint((master - first) / _STEP_NM)
    step = _STEP_NM
    if np.nanmax(state) > 65000:  # a span of more than a micrometre
        step = float(np.nanmax(master) - first) / 65000
        state = np.rint((master - first) / step)
    dark = np.nanmax(state) + 2  # the state of what does not come out
    table = np.zeros((len(master), master.shape[1] + 1), dtype=np.uint16)
    table[:, 1:] = np.where(np.isfinite(state), state + 1, dark)
    diameter = first + np.arange(int(dark) - 1) * step
    return table, np.concatenate([diameter, [np.nan]])
