"""From lengths on the part to whole database units in the layout.

The recipe describes the part; the layout is the master's. A place x on the part is written at

    x_dbu = floor(x / ((1 + s) * dbu) + 1/2)        s: the sum of the replication steps' scales

that is, divided by the scale, then rounded half up, and for an odd number of transfers mirrored
(x -> -x) last of all. A die centre and a place on the die are rounded each on its own, so every
die of a kind holds the same cell. Sizes of pads, marks, labels, deflectors and keep-outs, street,
zones, edge exclusion and the wafer itself are the master's and are not divided (a deflector's
period counts in steps of the master's lattice, and its square goes with it); a lens's aperture and
collar hold on the part and are.

Lengths are exact fractions until they are rounded: a double's shortest decimal is taken for what
it says, so 0.1 nm is one tenth.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from layoutgen.recipe.model import Exposure, Recipe

__all__ = ["Written", "exact", "half_up", "half_width"]


def exact(number: float) -> Fraction:
    """The decimal that a number was typed as, without rounding."""
    return Fraction(repr(float(number)))


def half_up(value: Fraction) -> int:
    """The nearest whole number; of two equally near, the larger."""
    return (2 * value + 1).__floor__() // 2


def half_width(length: Fraction) -> int:
    """Half a length on the grid, so that what is drawn is symmetrical about a grid point."""
    return half_up(length / 2)


@dataclass(frozen=True, slots=True)
class Written:
    """How lengths and places of a recipe become database units."""

    dbu: Fraction  # nm
    scale: Fraction  # 1 + sum of scales: the part is this times the master
    mirrored: bool

    @classmethod
    def of(cls, recipe: Recipe, dbu_nm: float) -> Written:
        ppm = sum((exact(step.scale_ppm) for step in recipe.replication.steps), Fraction(0))
        return cls(dbu=exact(dbu_nm), scale=1 + ppm / 10**6, mirrored=recipe.mirrored)

    def size(self, length_nm: float) -> Fraction:
        """A length that is the master's, in database units, not rounded."""
        return exact(length_nm) / self.dbu

    def part_size(self, length_nm: float) -> Fraction:
        """A length that holds on the part, in the master's database units, not rounded."""
        return self.size(length_nm) / self.scale

    def x(self, x_nm: float) -> int:
        """Where x on the part is written: divided, rounded, mirrored."""
        x = half_up(self.part_size(x_nm))
        return -x if self.mirrored else x

    def y(self, y_nm: float) -> int:
        return half_up(self.part_size(y_nm))

    def frame_width(self, exposure: Exposure) -> int | None:
        """How far frames reach beyond their outlines; None where there are none: shapes are exposed."""
        if exposure.exposed != "background" or exposure.frame_width_nm is None:
            return None
        return half_up(self.size(exposure.frame_width_nm))
