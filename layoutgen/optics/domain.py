"""Which lattice sites a part holds, and the piece of them that need be stored.

Every part here is convex, so each lattice row holds one run of columns: `Rows` is a row index
and, for each row, the half-open run [lo, hi), and within it the run [lo_in, hi_in) that belongs
to the part's optics (the rest is collar). Membership is decided in integers: a site is inside a
circle of radius R when x^2 + y^2 <= floor(R^2), both in database units, so that no processor
disagrees.

A part whose phase has mirror symmetry is stored as one `Piece` of the plane and placed several
times. A radial lens on a square lattice gives an octant: the open octant eight times, the cells of the
diagonal and of the axis four times each, the centre once. Two mirrors give a quadrant, one a half.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from layoutgen.lattice import Lattice, Window

__all__ = ["Circle", "Domain", "Piece", "Rectangle", "Rows", "pieces"]

IntArray = NDArray[np.int64]
#: A placement: quarter turns counter-clockwise after an optional mirror y -> -y.
Placement = tuple[int, bool]

_ALL_EIGHT: tuple[Placement, ...] = tuple((t, m) for m in (False, True) for t in range(4))
_FOUR_TURNS: tuple[Placement, ...] = tuple((t, False) for t in range(4))
_FOUR_MIRRORS: tuple[Placement, ...] = ((0, False), (2, False), (0, True), (2, True))
_HALF_TURN: tuple[Placement, ...] = ((0, False), (2, False))
_FLIP_Y: tuple[Placement, ...] = ((0, False), (0, True))
_FLIP_X: tuple[Placement, ...] = ((0, False), (2, True))
_ONCE: tuple[Placement, ...] = ((0, False),)


@dataclass(frozen=True, eq=False, slots=True)
class Rows:
    """Runs of columns: row row0 + i holds lo[i] <= col < hi[i]; lo_in, hi_in without the collar."""

    row0: int
    lo: IntArray
    hi: IntArray
    lo_in: IntArray
    hi_in: IntArray

    @property
    def sites(self) -> int:
        return int(np.maximum(self.hi - self.lo, 0).sum())

    @property
    def sites_inside(self) -> int:
        return int(np.maximum(self.hi_in - self.lo_in, 0).sum())

    def clip(self, lo: IntArray | int, hi: IntArray | int) -> Rows:
        """The same rows, columns kept only where lo <= col < hi."""
        return Rows(
            self.row0,
            np.maximum(self.lo, lo),
            np.minimum(self.hi, hi),
            np.maximum(self.lo_in, lo),
            np.minimum(self.hi_in, hi),
        )

    def take(self, row_from: int, row_to: int) -> Rows:
        """Rows row_from .. row_to - 1 of these."""
        a, b = max(row_from - self.row0, 0), max(min(row_to - self.row0, len(self.lo)), 0)
        b = max(a, b)
        return Rows(self.row0 + a, self.lo[a:b], self.hi[a:b], self.lo_in[a:b], self.hi_in[a:b])

    def blocks(self, side: int) -> Iterator[Window]:
        """Windows of at most side x side sites that hold all sites, as small as they can be.

        Cuts lie at whole multiples of `side` from index 0, whatever the part.
        """
        if not len(self.lo):
            return
        for r in range(self.row0 // side, (self.row0 + len(self.lo) - 1) // side + 1):
            band = self.take(r * side, (r + 1) * side)
            used = band.hi > band.lo
            if not used.any():
                continue
            first, last = int(band.lo[used].min()), int(band.hi[used].max()) - 1
            for c in range(first // side, last // side + 1):
                lo, hi = np.maximum(band.lo, c * side), np.minimum(band.hi, (c + 1) * side)
                held = np.flatnonzero(hi > lo)
                if len(held):
                    col0, col1 = int(lo[held].min()), int(hi[held].max())
                    top, rows = int(held[0]), int(held[-1] - held[0]) + 1
                    yield Window(band.row0 + top, col0, rows, col1 - col0)


Run = tuple[IntArray, IntArray]  # lowest and highest x, both included; empty where low > high


def _half_chord(square: IntArray) -> Run:
    """-s, s with s = floor(sqrt(square)), exact; empty where the square is negative."""
    safe = np.maximum(square, 0)
    root = np.sqrt(safe.astype(np.float64)).astype(np.int64)  # off by one at the most
    root -= root * root > safe
    root += (root + 1) * (root + 1) <= safe
    return np.where(square >= 0, -root, 1), np.where(square >= 0, root, 0)


@dataclass(frozen=True, slots=True)
class Circle:
    """Sites within a radius of the axis: x^2 + y^2 <= inner2, with the collar <= outer2, dbu^2."""

    inner2: int
    outer2: int

    @classmethod
    def of(cls, radius: Fraction, outer: Fraction) -> Circle:
        """Radii of the aperture and of the collar's outer edge in (exact) database units."""
        return cls(math.floor(radius**2), math.floor(outer**2))

    def runs(self, y: IntArray) -> tuple[Run, Run]:
        """Lowest and highest x at heights y: inside the aperture, and with the collar."""
        return _half_chord(self.inner2 - y * y), _half_chord(self.outer2 - y * y)

    @property
    def extent(self) -> tuple[int, int]:
        """Largest |x| and |y|."""
        return math.isqrt(self.outer2), math.isqrt(self.outer2)


@dataclass(frozen=True, slots=True)
class Rectangle:
    """Sites with x_low <= x <= x_high and y_low <= y <= y_high; no collar."""

    x_low: int
    x_high: int
    y_low: int
    y_high: int

    def runs(self, y: IntArray) -> tuple[Run, Run]:
        """Lowest and highest x at heights y, twice the same since there is no collar."""
        inside = (self.y_low <= y) & (y <= self.y_high)
        run = np.where(inside, self.x_low, 1), np.where(inside, self.x_high, 0)
        return run, run

    @property
    def extent(self) -> tuple[int, int]:
        """Largest |x| and |y|."""
        return max(-self.x_low, self.x_high), max(-self.y_low, self.y_high)


Domain = Circle | Rectangle


def all_rows(domain: Domain, lattice: Lattice) -> Rows:
    """Every site of the domain."""
    half_x, half_y = domain.extent
    window = lattice.cover(half_x, half_y)
    rows = window.row0 + np.arange(window.rows, dtype=np.int64)
    offset = lattice.x0_dbu + (rows & 1) * lattice.shift_dbu
    inner, outer = domain.runs(lattice.ys_dbu(window))
    low_in, high_in = _columns(inner, offset, lattice.pitch_dbu)
    low, high = _columns(outer, offset, lattice.pitch_dbu)
    empty_in = high_in <= low_in  # keep the inner run inside the outer one, so clipping is simple
    low_in[empty_in] = low[empty_in]
    high_in[empty_in] = low[empty_in]
    return Rows(window.row0, low, high, low_in, high_in)


def _columns(run: Run, offset: IntArray, pitch: int) -> tuple[IntArray, IntArray]:
    """Half-open runs of columns whose sites, offset + col * pitch, lie in a run; 0, 0 for none."""
    low = -((offset - run[0]) // pitch)
    high = np.maximum((run[1] - offset) // pitch + 1, low)
    some = run[0] <= run[1]
    return np.where(some, low, 0), np.where(some, high, 0)


@dataclass(frozen=True, eq=False, slots=True)
class Piece:
    """Sites that are stored once and placed len(placements) times. `name` tells pieces apart."""

    name: str
    rows: Rows
    placements: tuple[Placement, ...]


def pieces(domain: Domain, lattice: Lattice, symmetry: str) -> tuple[Piece, ...]:
    """Cut a domain for a symmetry (octant, quadrant, half_y, half_x, whole); empty pieces left out.

    half_y mirrors y -> -y, half_x mirrors x -> -x.
    """
    rows = all_rows(domain, lattice)
    index = rows.row0 + np.arange(len(rows.lo), dtype=np.int64)
    first, on_axis = _first_right(lattice, index)
    low_row = 0 if lattice.y0_dbu else 1  # the first row above the axis
    top = 1 << 40
    if symmetry == "whole":
        found = [Piece("A", rows, _ONCE)]
    elif symmetry == "half_y":
        found = [Piece("A", rows.take(low_row, top), _FLIP_Y)]
        if low_row:
            found.append(Piece("X", rows.take(0, 1), _ONCE))
    elif symmetry == "half_x":
        found = [
            Piece("A", rows.clip(first, top), _FLIP_X),
            Piece("Y", rows.clip(np.where(on_axis, first - 1, top), first), _ONCE),
        ]
    elif symmetry == "quadrant":
        right = rows.clip(first, top)
        middle = rows.clip(np.where(on_axis, first - 1, top), first)
        found = [
            Piece("A", right.take(low_row, top), _FOUR_MIRRORS),
            Piece("Y", middle.take(low_row, top), _HALF_TURN),
        ]
        if low_row:
            found.append(Piece("X", right.take(0, 1), _HALF_TURN))
            found.append(Piece("C", middle.take(0, 1), _ONCE))
    elif symmetry == "octant":
        if lattice.hexagonal:
            raise ValueError("a hexagonal lattice has no diagonal mirror")
        found = [
            Piece("A", rows.clip(index + 1, top).take(low_row, top), _ALL_EIGHT),
            Piece("D", rows.clip(index, index + 1).take(low_row, top), _FOUR_TURNS),
        ]
        if low_row:
            found.append(Piece("X", rows.clip(1, top).take(0, 1), _FOUR_TURNS))
            found.append(Piece("C", rows.clip(0, 1).take(0, 1), _ONCE))
    else:
        raise ValueError(
            f"symmetry must be octant, quadrant, half_y, half_x or whole, got {symmetry}"
        )
    return tuple(piece for piece in found if piece.rows.sites)


def _first_right(lattice: Lattice, rows: IntArray) -> tuple[IntArray, NDArray[np.bool_]]:
    """First column with x > 0 in each row, and whether the column before it stands on x = 0."""
    offset = lattice.x0_dbu + (rows & 1) * lattice.shift_dbu
    first = -(offset // lattice.pitch_dbu) + np.where(offset % lattice.pitch_dbu == 0, 1, 0)
    return first, offset % lattice.pitch_dbu == 0
