"""Where the squares of calibration pads stand; what is drawn on their sites is decided elsewhere.

**Uniform pad.** A row of contiguous squares of side `size`, one per diameter, left to right, the
row centred on the pad. All share one lattice that stands between four sites at the pad's centre
(`gap`). A site belongs to the square that holds its centre; a square's left and lower edge belong
to it, its right and upper edge do not.

**Strip pad.** Contiguous rectangles of one length and width, one per diameter, side by side across
their direction: from low to high y where they run along x, left to right where they run along y. With
`blank` one more place of that size follows the last and stays without pillars: the floor between pillars
in either tone, since a frame covers it like the rest. The pad's centre is that of
all places, the blank one included; lattice and edges are those of a uniform pad.

**Density pad.** One patch per probe (columns, as listed) and density (rows, lowest first at the
lowest y). A patch is a square surround of side 5 beta on a lattice of its own with a pillar at
its centre (`site`), and a core of 11 x 11 sites in its middle: 9, 7 or 5 where the core would be
over beta wide. Sites on the surround's edge belong to it. Patches stand 4 beta apart, edge to
edge, so the next patch begins 6.5 beta from a core's centre.
The pad's centre is that of the whole array.

beta is the range of the longest backscatter term of at most 50 um, and if there is none the
shortest term's: longer terms see the whole die and not a patch.

Everything is in database units of the master and from the pad's centre. In a mirrored layout the
places are negated, and of a uniform square's edges the right one is its own, so that the drawn
pad is the exact mirror image of the one described.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from layoutgen.recipe.model import Backscatter, DensityPad, StripPad, UniformPad
from layoutgen.wafer.written import exact, half_up

__all__ = [
    "Patch", "Square", "beta_nm", "core_sites", "density_patches", "row_extent", "row_of_squares",
    "stacked",
]  # fmt: skip

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

LONGEST_BETA_NM = 50_000.0  # terms up to here are those that a patch can be made large enough for
SURROUND_BETAS = 5
APART_BETAS = 4
LARGEST_CORE, SMALLEST_CORE = 11, 5


def beta_nm(backscatter: Sequence[Backscatter]) -> float | None:
    """The backscatter range that pads and collars are measured in; None without backscatter."""
    ranges = [term.range_nm for term in backscatter]
    if not ranges:
        return None
    near = [r for r in ranges if r <= LONGEST_BETA_NM]
    return max(near) if near else min(ranges)


@dataclass(frozen=True, slots=True)
class Square:
    """One square of a uniform pad, or one strip: edges low <= x < high (mirrored: low < x <= high), low <= y < high.

    Edges are exact multiples of half a database unit for sizes on the grid.
    """

    index: int  # in the pad's `diameters`
    diameter_nm: float  # on the master
    x_low: float
    x_high: float
    y_low: float
    y_high: float
    mirrored: bool

    def holds(self, x: IntArray, y: IntArray) -> BoolArray:
        """Which sites, by their centres from the pad's centre, belong to this square."""
        if self.mirrored:
            across = (self.x_low < x) & (x <= self.x_high)
        else:
            across = (self.x_low <= x) & (x < self.x_high)
        inside: BoolArray = across & (self.y_low <= y) & (y < self.y_high)
        return inside


@dataclass(frozen=True, slots=True)
class Patch:
    """One patch of a density pad: a surround |x|, |y| <= half around (x, y), and its core."""

    probe: int  # index in the pad's `probes`
    probe_nm: float  # on the master
    density: float
    x: int
    y: int
    half: float
    core: int  # core sites along a row, and rows
    mirrored: bool

    def holds(self, x: IntArray, y: IntArray) -> BoolArray:
        """Which sites, by their centres from the patch's centre, the surround reaches to."""
        inside: BoolArray = (np.abs(x) <= self.half) & (np.abs(y) <= self.half)
        return inside

    def in_core(self, row: IntArray, col: IntArray, *, hexagonal: bool) -> BoolArray:
        """Which lattice sites (of a `site` lattice at the patch's centre) are the core's.

        The core is `core` rows of `core` sites; on a hexagonal lattice odd rows start half a pitch
        to the right, in a mirrored layout half a pitch to the left.
        """
        reach = self.core // 2
        shift = (row & 1) if hexagonal and self.mirrored else np.zeros_like(row)
        inside: BoolArray = (np.abs(row) <= reach) & (np.abs(col + shift) <= reach)
        return inside


def stacked(pad: UniformPad | StripPad) -> bool:
    """Whether the places of a pad stand from low to high y, and not from left to right."""
    return isinstance(pad, StripPad) and pad.direction == "x"


def _places(pad: UniformPad | StripPad, dbu: Fraction) -> tuple[Fraction, Fraction, int]:
    """Length and width of a place, and how many places there are, the blank one included."""
    count = len(pad.diameters_nm)
    if isinstance(pad, UniformPad):
        return exact(pad.size_nm) / dbu, exact(pad.size_nm) / dbu, count
    return exact(pad.length_nm) / dbu, exact(pad.width_nm) / dbu, count + pad.blank


def row_of_squares(
    pad: UniformPad | StripPad, dbu: Fraction, *, mirrored: bool
) -> tuple[Square, ...]:
    """The squares or strips of a pad, in the order of its diameters."""
    length, width, places = _places(pad, dbu)
    along = (-length / 2, length / 2)
    squares = []
    for k, diameter_nm in enumerate(pad.diameters_nm):
        low, high = (Fraction(2 * end - places, 2) * width for end in (k, k + 1))
        x, y = (along, (low, high)) if stacked(pad) else ((low, high), along)
        if mirrored:
            x = (-x[1], -x[0])
        squares.append(
            Square(k, diameter_nm, float(x[0]), float(x[1]), float(y[0]), float(y[1]), mirrored)
        )
    return tuple(squares)


def row_extent(pad: UniformPad | StripPad, dbu: Fraction) -> tuple[float, float]:
    """Half the width and height of all places of a pad, the blank one included."""
    length, width, places = _places(pad, dbu)
    half = float(length / 2), float(width * places / 2)
    return half if stacked(pad) else (half[1], half[0])


def core_sites(pitch_nm: float, beta: float) -> int:
    """Sites along a core's side: 11, or the largest smaller odd number not over beta wide, at least 5."""
    sites = LARGEST_CORE
    while sites > SMALLEST_CORE and exact(pitch_nm) * sites > exact(beta):
        sites -= 2
    return sites


def density_patches(
    pad: DensityPad, dbu: Fraction, *, beta: float, pitch_nm: float, mirrored: bool
) -> tuple[Patch, ...]:
    """The patches of a density pad, by density (lowest first) and then probe.

    beta is in nm, from `beta_nm`; centres are rounded to the grid half up before mirroring.
    """
    length = exact(beta) / dbu
    step = (SURROUND_BETAS + APART_BETAS) * length
    half = float(SURROUND_BETAS * length / 2)
    core = core_sites(pitch_nm, beta)
    columns, rows = len(pad.probes_nm), len(pad.densities)
    patches = []
    for r, density in enumerate(sorted(pad.densities)):
        for c, probe_nm in enumerate(pad.probes_nm):
            x = half_up(Fraction(2 * c - columns + 1, 2) * step)
            y = half_up(Fraction(2 * r - rows + 1, 2) * step)
            patches.append(
                Patch(
                    probe=c,
                    probe_nm=probe_nm,
                    density=density,
                    x=-x if mirrored else x,
                    y=y,
                    half=half,
                    core=core,
                    mirrored=mirrored,
                )
            )
    return tuple(patches)
