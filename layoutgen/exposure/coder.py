"""From the master on each site to the code that is drawn there.

A table of codes, one row for each step of density and one column for each master, is made once
for a design in its surrounding with its split; the kernel looks each site up in it.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from layoutgen.codes import CodeBlock
from layoutgen.exposure.around import SurroundingField
from layoutgen.exposure.bias import DENSITY_STEPS, DrawnLadder
from layoutgen.exposure.part import MasterArray, Masters, Site
from layoutgen.exposure.raster import assign
from layoutgen.exposure.solve import Density, Exposed
from layoutgen.kernels import kernel

__all__ = ["Coder"]

FloatArray = NDArray[np.float64]

#: The spline may pass its nodes' extremes by a little: 0.01 of density is more than it can.
_MARGIN = 82


@kernel
def _look_up(masters, row, codes):  # type: ignore[no-untyped-def]  # pragma: no cover
    for r in range(masters.shape[0]):
        for c in range(masters.shape[1]):
            codes[r, c] = row[masters[r, c]]


@kernel
def _tally(codes, counts):  # type: ignore[no-untyped-def]  # pragma: no cover
    for r in range(codes.shape[0]):
        for c in range(codes.shape[1]):
            counts[codes[r, c]] += 1


class Coder:
    """Codes of one design in one surrounding with one split (and zone)."""

    def __init__(
        self,
        masters: Masters,
        ladder: DrawnLadder,
        exposed: Exposed,
        density: Density | None,
        added: SurroundingField | None,
        split_nm: float,
    ) -> None:
        self.ladder = ladder
        self.density = density
        self.added = added
        self._first, last = 0, 0
        if density is not None:
            low, high = density.low, density.high
            self._first = math.floor(low * DENSITY_STEPS) - _MARGIN
            last = math.ceil(high * DENSITY_STEPS) + _MARGIN
        bias = exposed.bias.at_steps(masters.master_nm, masters.fixed, self._first, last)
        offset = masters.master_nm + np.where(masters.fixed, 0.0, split_nm)
        codes, left = ladder.codes(offset + bias)
        # column 0 stands for an empty site
        self._codes = np.zeros((len(codes), codes.shape[1] + 1), dtype=codes.dtype)
        self._codes[:, 1:] = codes
        # a spline may dip below 0 far outside a part, where no pillar stands
        density_at = np.clip(np.arange(self._first, last + 1) / DENSITY_STEPS, 0.0, 1.0)
        inside = exposed.bias.covers(density_at[:, None], masters.master_nm)
        left = left | (~inside & ~masters.fixed)
        # as `codes`: which leave the bias table or the ladder; None where none do
        self._left: NDArray[np.uint8] | None = None
        if left.any():
            self._left = np.zeros(self._codes.shape, dtype=np.uint8)
            self._left[:, 1:] = left

    def block(self, site: Site, masters: MasterArray) -> CodeBlock:
        """The codes of a block."""
        window = site.window
        return CodeBlock(window.row0, window.col0, self.through(self._codes, site, masters))

    def left(self, site: Site, masters: MasterArray) -> int:
        """How many pillars of a block left the bias table or the ladder."""
        if self._left is None:
            return 0
        return int(self.through(self._left, site, masters).sum(dtype=np.int64))

    def tally(self, block: CodeBlock) -> NDArray[np.int64]:
        """How many sites hold each code, (ladder + 1,); entry 0 counts empty sites."""
        counts = np.zeros(self.ladder.count + 1, dtype=np.int64)
        _tally(block.codes, counts)
        return counts

    @property
    def densities(self) -> FloatArray:
        """Density that each row of a table for `through` stands for, (rows,)."""
        rows = np.arange(self._first, self._first + len(self._codes))
        return np.clip(rows / DENSITY_STEPS, 0.0, 1.0)

    @property
    def codes(self) -> NDArray[np.unsignedinteger]:
        """Code of each master (columns, from 1; column 0 is an empty site) at each density (rows)."""
        return self._codes

    def steps(self, site: Site) -> NDArray[np.unsignedinteger]:
        """Row of `codes`, and so of `densities`, that each site of a block takes its code from."""
        nothing = np.zeros((site.window.rows, site.window.cols), np.uint8)
        return self.through(self._rows, site, nothing)

    @cached_property
    def _rows(self) -> NDArray[np.uint16]:
        """A table whose entries are its own rows, of one column."""
        return np.arange(len(self._codes), dtype=np.uint16)[:, None]

    def through(
        self, table: NDArray[np.unsignedinteger], site: Site, masters: MasterArray
    ) -> NDArray[np.unsignedinteger]:
        """What a table shaped like `codes` gives on each site of a block, by its density and master."""
        codes = np.zeros(masters.shape, dtype=table.dtype)
        if self.density is None:
            _look_up(masters, table[0], codes)
            return codes
        raster = self.density.raster
        lattice = raster.part.lattice
        coef, i0, j0 = self.density.window(site)
        lo, hi = site.runs
        field = self.added
        around = np.zeros((1, 1), np.int16) if field is None else field.steps
        x0, y0, hx, hy = (
            (0.0, 0.0, 1.0, 1.0) if field is None else (field.x0, field.y0, field.hx, field.hy)
        )
        assign(
            masters, site.window.row0, site.window.col0, lo, hi, raster.gx0, raster.gx_odd,
            raster.gy, raster.nx, raster.ny, raster.ux, raster.uy, coef, i0, j0,
            around, x0, y0, hx, hy, lattice.x0_dbu, lattice.y0_dbu, lattice.pitch_dbu,
            lattice.shift_dbu, lattice.row_dbu, field is not None, np.float32(self._first), table,
            codes,
        )  # fmt: skip
        return codes
