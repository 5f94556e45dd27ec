"""Marks as polygons in whole database units, centred on (0, 0).

    cross    arm from centre to tip, width of both bars: one polygon of twelve corners
    box      a square ring, outer side and width of the ring: four rectangles that do not overlap
    vernier  two combs of `lines` lines, pitches a and b, that meet back to back on a base line.
             For direction 0 the pitch counts along x: comb a stands on the +y side of y = 0, comb
             b on the -y side, each `length` long. Lines are half the smaller pitch wide. The
             middles of both combs coincide (for an odd number, their middle lines do), so the
             pair of lines that is k pitches from the middle is k (a - b) apart: with a wafer of
             which one comb has moved, the pair that lines up tells by how much. Other directions
             are turned counter-clockwise about the centre.

    stitch   four verniers around the corner of four write fields, one across each boundary, far enough
             out to leave each other room: a pair at +x and one at -x whose combs run along x on either
             side of y = 0, a pair at +y and one at -y turned by a quarter. Within a pair each comb is
             written in a field of its own, so the pair of lines that lines up tells how far the fields
             are off along their boundary, and the gap or overlap of the tips how far across it.

A vernier may have its comb b on another layer, that of a later step: then the pair tells how far that step is
off the first.

Sizes are the master's. Half sizes and line places are rounded to the grid and taken with both
signs, so every mark is symmetrical about its centre; a vernier that is turned by other than whole
quarter turns has its corners rounded. Polygons are (n, 2) int64 [x, y], counter-clockwise, not
closed, and do not overlap. The shapes are common practice; no standard is followed.

The outline, which overlaps and frames are reckoned from, is the cross itself, the box's outer
square, the rectangle that holds both combs, and the square that holds the four verniers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from layoutgen.recipe.model import Box, Cross, Mark, Stitch, Vernier
from layoutgen.wafer.written import exact, half_up, half_width

__all__ = ["Figure", "box", "cross", "mark_figure", "rectangle", "stitch", "vernier"]

Polygon = NDArray[np.int64]


@dataclass(frozen=True, eq=False, slots=True)
class Figure:
    """What a mark draws, and the one polygon that it occupies. second: what a later step draws, on its own layer."""

    polygons: tuple[Polygon, ...]
    outline: Polygon
    second: tuple[Polygon, ...] = ()

    def mirrored(self) -> Figure:
        """The figure seen in a mirror (x -> -x), corners still counter-clockwise."""
        return Figure(
            tuple(_mirror(p) for p in self.polygons),
            _mirror(self.outline),
            tuple(_mirror(p) for p in self.second),
        )


def _mirror(polygon: Polygon) -> Polygon:
    return np.ascontiguousarray((polygon * np.array([-1, 1]))[::-1])


def rectangle(x0: int, y0: int, x1: int, y1: int) -> Polygon:
    """The rectangle with these lower left and upper right corners."""
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=np.int64)


def cross(arm: int, half: int) -> Polygon:
    """A cross of arms `arm` long from the centre and 2 `half` wide, arm > half > 0."""
    if not arm > half > 0:
        raise ValueError(f"want an arm longer than half its width, got {arm} and {half}")
    a, h = arm, half
    corners = [(a, -h), (a, h), (h, h), (h, a), (-h, a), (-h, h), (-a, h), (-a, -h), (-h, -h),
               (-h, -a), (h, -a), (h, -h)]  # fmt: skip
    return np.array(corners, dtype=np.int64)


def box(half: int, ring: int) -> tuple[Polygon, ...]:
    """A ring of width `ring` inside the square of side 2 `half`, half > ring > 0."""
    if not half > ring > 0:
        raise ValueError(f"want a ring narrower than half the box, got {ring} and {half}")
    inner = half - ring
    return (
        rectangle(-half, -half, half, -inner),
        rectangle(-half, inner, half, half),
        rectangle(-half, -inner, -inner, inner),
        rectangle(inner, -inner, half, inner),
    )


def vernier(
    pitches: tuple[Fraction, Fraction],
    lines: int,
    length: int,
    direction_deg: float = 0.0,
    *,
    second: bool = False,
) -> Figure:
    """Two combs back to back; lengths in database units, `direction_deg` counter-clockwise.

    second: comb b is of a later step.
    """
    half = half_width(min(pitches) / 2)
    if half <= 0 or length <= 0:
        raise ValueError("want lines at least two database units wide and one long")
    polygons = []
    reach = 0
    for pitch, (low, high) in zip(pitches, ((0, length), (-length, 0)), strict=True):
        for k in range(lines):
            steps = Fraction(2 * k - lines + 1, 2)
            place = half_up(abs(steps) * pitch) * (1 if steps > 0 else -1)
            polygons.append(rectangle(place - half, low, place + half, high))
            reach = max(reach, place + half)
    outline = rectangle(-reach, -length, reach, length)
    turned = tuple(_turned(p, direction_deg) for p in polygons)
    held = turned[:lines] if second else turned
    return Figure(held, _turned(outline, direction_deg), turned[len(held) :])


def stitch(pitches: tuple[Fraction, Fraction], lines: int, length: int) -> Figure:
    """Four verniers around (0, 0), a quarter turn from one to the next; lengths in database units."""
    one = vernier(pitches, lines, length)
    reach = int(one.outline.max(axis=0)[0])
    away = reach + length + half_up(max(pitches))  # the combs of the next arm are `length` wide
    polygons = [
        _turned(polygon + np.array([away, 0]), 90.0 * quarter)
        for quarter in range(4)
        for polygon in one.polygons
    ]
    side = away + reach
    return Figure(tuple(polygons), rectangle(-side, -side, side, side))


def _turned(polygon: Polygon, direction_deg: float) -> Polygon:
    quarters, rest = divmod(exact(direction_deg), 90)
    x, y = polygon[:, 0], polygon[:, 1]
    for _ in range(int(quarters) % 4):
        x, y = -y, x
    if rest:
        c, s = math.cos(math.radians(float(rest))), math.sin(math.radians(float(rest)))
        x, y = _rounded(c * x - s * y), _rounded(s * x + c * y)
    return np.ascontiguousarray(np.stack((x, y), axis=1))


def _rounded(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Half away from zero, so that opposite corners stay opposite."""
    whole = np.floor(np.abs(values) + 0.5)
    return (np.sign(values) * whole).astype(np.int64)


def mark_figure(mark: Mark, dbu: Fraction) -> Figure:
    """The figure of a mark of the recipe on a grid of `dbu` nm, as on the part, not mirrored.

    Raises ValueError ("want ..., got ...") for sizes that make no mark on this grid.
    """
    match mark:
        case Cross():
            arm, half = half_up(exact(mark.arm_nm) / dbu), half_width(exact(mark.width_nm) / dbu)
            if not arm > half > 0:
                raise ValueError(
                    f"want a cross with an arm over half its width and a width of two database "
                    f"units or more, got arm {mark.arm_nm / 1e3:g} um and width "
                    f"{mark.width_nm / 1e3:g} um"
                )
            polygon = cross(arm, half)
            return Figure((polygon,), polygon)
        case Box():
            half, ring = half_width(exact(mark.outer_nm) / dbu), half_up(exact(mark.width_nm) / dbu)
            if not half > ring > 0:
                raise ValueError(
                    f"want a box whose ring is under half its outer side and a database unit or "
                    f"more, got outer {mark.outer_nm / 1e3:g} um and width "
                    f"{mark.width_nm / 1e3:g} um"
                )
            return Figure(box(half, ring), rectangle(-half, -half, half, half))
        case Vernier() | Stitch():
            a, b = (exact(pitch) / dbu for pitch in mark.pitches_nm)
            length = half_up(exact(mark.length_nm) / dbu)
            if half_width(min(a, b) / 2) <= 0 or length <= 0:
                raise ValueError(
                    f"want a {mark.kind} with pitches of four database units or more and lines of one "
                    f"or more, got pitches {mark.pitches_nm[0]:g} and {mark.pitches_nm[1]:g} nm "
                    f"and length {mark.length_nm:g} nm"
                )
            if isinstance(mark, Stitch):
                return stitch((a, b), mark.lines, length)
            return vernier(
                (a, b), mark.lines, length, mark.direction_deg, second=mark.second_layer is not None
            )
