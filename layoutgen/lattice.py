"""Lattice sites in whole database units, and rectangular windows on them.

A site is a pair of indices (row, col). Its place, from the part's axis, is

    y = y0 + row * row_step
    x = x0 + col * pitch + (row odd and hexagonal) * pitch / 2

Square lattice: x0 = y0 = pitch / 2 when the axis stands between four pillars (`gap`), 0 when it
stands on one (`site`). Hexagonal lattice: rows along x, odd rows shifted by half a pitch, one
row on y = 0; x0 = pitch / 2 for `gap`, 0 for `site`; the row step pitch * sqrt(3) / 2 is rounded
once to the address grid and everything uses the rounded lattice.

Everything here is integers, so no place depends on the processor or on how a part is cut up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Lattice", "Window"]

IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of lattice indices: rows row0 .. row0 + rows - 1, columns likewise."""

    row0: int
    col0: int
    rows: int
    cols: int


@dataclass(frozen=True, slots=True)
class Lattice:
    """Where the sites of one part stand. Lengths are database units; `kind` is square or hexagonal."""

    kind: str
    pitch_dbu: int
    row_dbu: int
    centre: str  # gap | site

    def __post_init__(self) -> None:
        if self.kind not in ("square", "hexagonal"):
            raise ValueError(f"kind must be square or hexagonal, got {self.kind!r}")
        if self.centre not in ("gap", "site"):
            raise ValueError(f"centre must be gap or site, got {self.centre!r}")
        if self.pitch_dbu <= 0 or self.row_dbu <= 0:
            raise ValueError(f"steps must be positive, got {self.pitch_dbu} and {self.row_dbu}")
        if self.pitch_dbu % 2 and (self.kind == "hexagonal" or self.centre == "gap"):
            raise ValueError(f"a pitch of {self.pitch_dbu} puts sites on half database units")

    @property
    def hexagonal(self) -> bool:
        return self.kind == "hexagonal"

    @property
    def x0_dbu(self) -> int:
        return self.pitch_dbu // 2 if self.centre == "gap" else 0

    @property
    def y0_dbu(self) -> int:
        return self.pitch_dbu // 2 if self.centre == "gap" and not self.hexagonal else 0

    @property
    def shift_dbu(self) -> int:
        """What odd rows are moved by, along x."""
        return self.pitch_dbu // 2 if self.hexagonal else 0

    @property
    def site_area_dbu2(self) -> int:
        """Area of the lattice that belongs to one site."""
        return self.pitch_dbu * self.row_dbu

    def x_dbu(self, row: int, col: int) -> int:
        return self.x0_dbu + col * self.pitch_dbu + (row & 1) * self.shift_dbu

    def y_dbu(self, row: int) -> int:
        return self.y0_dbu + row * self.row_dbu

    def xs_dbu(self, window: Window) -> IntArray:
        """x of the window's columns on an even row, (cols,)."""
        return self.x0_dbu + (window.col0 + np.arange(window.cols, dtype=np.int64)) * self.pitch_dbu

    def ys_dbu(self, window: Window) -> IntArray:
        """y of the window's rows, (rows,)."""
        return self.y0_dbu + (window.row0 + np.arange(window.rows, dtype=np.int64)) * self.row_dbu

    def sites_dbu(self, window: Window) -> tuple[IntArray, IntArray]:
        """x and y of every site of the window, each (rows, cols)."""
        rows = window.row0 + np.arange(window.rows, dtype=np.int64)
        x = self.xs_dbu(window)[None, :] + (rows & 1)[:, None] * self.shift_dbu
        y = np.broadcast_to(self.ys_dbu(window)[:, None], x.shape)
        return x, y

    def cover(self, half_x_dbu: float, half_y_dbu: float) -> Window:
        """The smallest window that holds every site with |x| <= half_x and |y| <= half_y."""
        row_low = -int((half_y_dbu + self.y0_dbu) // self.row_dbu)
        row_high = int((half_y_dbu - self.y0_dbu) // self.row_dbu)
        # odd rows of a hexagonal lattice reach half a pitch further left
        col_low = -int((half_x_dbu + self.x0_dbu + self.shift_dbu) // self.pitch_dbu)
        col_high = int((half_x_dbu - self.x0_dbu) // self.pitch_dbu)
        return Window(
            row_low, col_low, max(0, row_high - row_low + 1), max(0, col_high - col_low + 1)
        )
