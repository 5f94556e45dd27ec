"""A patterned part: the lattice sites of one lens, grating or pad and the master on each.

A part says where its sites are (`pieces`) and which of its masters stands on each; masters are
numbered from 1, 0 is an empty site. A lens and a grating find them from their phase; a pad has
them by place. Blocks are made when asked for; a part keeps those it has made while they fit
its budget of memory, so what it gives never depends on that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from layoutgen.lattice import Lattice, Window
from layoutgen.optics.domain import Domain, Piece, Rows, pieces

__all__ = ["BLOCK_SIDE", "Masters", "Part", "Site"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
MasterArray = NDArray[np.uint8] | NDArray[np.uint16]

#: Sites along a block, by lattice: the most that a displacement list can hold a position of. Its
#: 256 KiB of codes stay in a core's own cache.
BLOCK_SIDE = {"square": 512, "hexagonal": 256}

#: Bytes of master indices that one part keeps between its passes, at most and of all parts together.
KEEP_BYTES, KEEP_BYTES_IN_ALL = 8 << 20, 64 << 20


@dataclass(frozen=True, eq=False, slots=True)
class Masters:
    """The masters of a part, in nm of equal-area diameter; index k of a block is entry k - 1.

    `fixed` masters are drawn as they are: no bias, no split.
    """

    master_nm: FloatArray
    target_nm: FloatArray
    fixed: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.master_nm)


@dataclass(frozen=True, slots=True)
class Site:
    """A block of one piece: its window, and all rows of the piece."""

    piece: int
    window: Window
    rows: Rows

    @property
    def runs(self) -> tuple[IntArray, IntArray]:
        """lo, hi of each row, counted from the block's first column, lo <= hi."""
        return self._cut(self.rows.lo, self.rows.hi)

    @property
    def runs_inside(self) -> tuple[IntArray, IntArray]:
        """The same without the collar."""
        return self._cut(self.rows.lo_in, self.rows.hi_in)

    def _cut(self, low: IntArray, high: IntArray) -> tuple[IntArray, IntArray]:
        w = self.window
        rows = slice(w.row0 - self.rows.row0, w.row0 - self.rows.row0 + w.rows)
        lo = np.minimum(np.maximum(low[rows] - w.col0, 0), w.cols)
        return lo, np.maximum(np.minimum(high[rows] - w.col0, w.cols), lo)


#: Gives the master indices of a block.
MasterSource = Callable[[Site], MasterArray]


@dataclass(eq=False)
class Part:
    """One patterned part with the symmetry that it is stored with."""

    name: str
    lattice: Lattice
    domain: Domain
    symmetry: str
    masters: Masters
    source: MasterSource
    usage: FloatArray | None = None  # how often each master stands here, to start the density from
    siblings: int = 1  # how many parts keep master indices
    pieces: tuple[Piece, ...] = field(init=False)
    sites: tuple[Site, ...] = field(init=False)
    _kept: dict[int, MasterArray] = field(init=False, default_factory=dict, repr=False)
    _kept_bytes: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        self.pieces = pieces(self.domain, self.lattice, self.symmetry)
        self.sites = tuple(
            Site(index, window, piece.rows)
            for index, piece in enumerate(self.pieces)
            for window in piece.rows.blocks(self.block_side)
        )

    @property
    def block_side(self) -> int:
        """Sites along a block; blocks are cut at whole multiples of it."""
        return BLOCK_SIDE[self.lattice.kind]

    @property
    def group_order(self) -> int:
        """How many copies of the open piece make the whole part."""
        return {"octant": 8, "quadrant": 4, "half_x": 2, "half_y": 2, "whole": 1}[self.symmetry]

    @property
    def pillars(self) -> int:
        """Sites of the whole part, collar included."""
        return sum(len(piece.placements) * piece.rows.sites for piece in self.pieces)

    @property
    def stored(self) -> int:
        """Sites of all pieces, each counted once."""
        return sum(piece.rows.sites for piece in self.pieces)

    def block(self, index: int) -> MasterArray:
        """Master indices of block `index`, (rows, cols)."""
        kept = self._kept.get(index)
        if kept is not None:
            return kept
        made = self.source(self.sites[index])
        if self._kept_bytes + made.nbytes <= min(KEEP_BYTES, KEEP_BYTES_IN_ALL // self.siblings):
            self._kept[index] = made
            self._kept_bytes += made.nbytes
        return made

    def within(self, index: int, window: Window) -> tuple[Site, MasterArray]:
        """A window inside block `index`, and its master indices (rows, cols)."""
        block = self.sites[index]
        site = Site(block.piece, window, block.rows)
        kept = self._kept.get(index)
        if kept is None:
            return site, self.source(site)
        row, col = window.row0 - block.window.row0, window.col0 - block.window.col0
        return site, kept[row : row + window.rows, col : col + window.cols].copy()

    def blocks(self) -> Iterator[tuple[Site, MasterArray]]:
        for index, site in enumerate(self.sites):
            yield site, self.block(index)

    def forget(self) -> None:
        """Give back what is kept."""
        self._kept.clear()
        self._kept_bytes = 0
