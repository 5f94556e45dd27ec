"""Polygons of drawn pillars: the ladder of diameters as shapes on the address grid.

A disc of diameter d is drawn as a polygon of N vertices (N a multiple of 8) on the address grid,
symmetric under the eight symmetries of the square, of the area nearest to pi d^2 / 4. N / 8 points
(a_i, b_i), a_i > b_i > 0, at ascending angles below 45 degrees generate it; twice its area is

    8 a_1 b_1 + 8 sum (a_i b_(i+1) - a_(i+1) b_i) + 4 (a_n^2 - b_n^2)

For the octagon (+-a, +-b), (+-b, +-a), whose flat sides face the axes, that is 4 a^2 + 8 a b
- 4 b^2. A square has sides that are an even number of grid steps, so it is centred on the grid and
exact; it is asked for by its side, and its diameter is that of the disc of equal area.

Lengths here are grid steps until the last step turns them into database units.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations, pairwise, product
from math import cos, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from layoutgen.codes import ShapeTable
from layoutgen.errors import InputError

__all__ = ["disc_polygon", "equal_area_diameter", "ladder_table", "residual_rms_nm"]

IntArray = NDArray[np.int64]
Points = tuple[tuple[int, int], ...]

# Values that should be whole are taken as whole within this: lengths come from decimal text.
WHOLE = 1e-6


def equal_area_diameter(polygon: IntArray) -> float:
    """Diameter of the disc of the same area, in the polygon's unit; (n, 2), not closed."""
    points = polygon.tolist()
    twice = sum(
        a * d - c * b for (a, b), (c, d) in zip(points, points[1:] + points[:1], strict=True)
    )
    return sqrt(2 * abs(twice) / pi)


def residual_rms_nm(table: ShapeTable) -> float:
    """Root mean square over the ladder of the equal-area diameter minus the drawn one."""
    return float(np.sqrt(np.mean(np.square(table.residual_nm))))


def _twice_area(points: Points) -> int:
    area = 8 * points[0][0] * points[0][1] + 4 * (points[-1][0] ** 2 - points[-1][1] ** 2)
    for (a, b), (c, d) in pairwise(points):
        area += 8 * (a * d - c * b)
    return area


def _convex(points: Points) -> bool:
    """Whether the whole polygon turns left at every vertex; the octant and its neighbours tell."""
    chain = [(points[0][0], -points[0][1]), *points, (points[-1][1], points[-1][0])]
    chain.append(
        (points[-2][1], points[-2][0]) if len(points) > 1 else (-chain[-1][0], chain[-1][1])
    )
    return all(
        (c[0] - b[0]) * (d[1] - c[1]) > (c[1] - b[1]) * (d[0] - c[0])
        for b, c, d in zip(chain, chain[1:], chain[2:], strict=False)
    ) and all(a > b > 0 for a, b in points)


def _offsets(count: int) -> list[tuple[int, ...]]:
    """What is tried around the rounded regular polygon, for its 2 * count coordinates.

    Octagon: all within 2. Sixteen vertices: all within 1. More: any two coordinates within 1; so
    many coordinates reach the area to a few grid steps squared without bending the outline.
    """
    if count <= 2:
        reach = range(-2, 3) if count == 1 else range(-1, 2)
        return list(product(reach, repeat=2 * count))
    found = {tuple([0] * (2 * count))}
    for first, second in combinations(range(2 * count), 2):
        for by, other in product(range(-1, 2), repeat=2):
            offset = [0] * (2 * count)
            offset[first], offset[second] = by, other
            found.add(tuple(offset))
    return sorted(found)


def disc_polygon(diameter_steps: float, vertices: int) -> IntArray | None:
    """The polygon for a disc of a diameter in grid steps; (vertices, 2), counter-clockwise.

    Of equal area differences the shape closest to the regular polygon is taken, then the one of
    the smaller coordinates. None: no such convex polygon on the grid, the disc is too small.
    """
    count = vertices // 8
    # circumradius of the regular polygon of equal area: N/2 R^2 sin(2 pi / N) = pi d^2 / 4
    radius = diameter_steps / 2 * sqrt(2 * pi / (vertices * sin(2 * pi / vertices)))
    angles = [(2 * i + 1) * pi / vertices for i in range(count)]
    regular = [c for angle in angles for c in (radius * cos(angle), radius * sin(angle))]
    rounded = [round(c) for c in regular]
    wanted = pi / 2 * diameter_steps**2
    best: tuple[float, float, Points] | None = None
    for offset in _offsets(count):
        flat = [c + o for c, o in zip(rounded, offset, strict=True)]
        points = tuple(zip(flat[::2], flat[1::2], strict=True))
        miss = abs(_twice_area(points) - wanted)
        if best is not None and miss > best[0]:
            continue
        away = sum((c - r) ** 2 for c, r in zip(flat, regular, strict=True))
        if (best is None or (miss, away, points) < best) and _convex(points):
            best = (miss, away, points)
    if best is None:
        return None
    octant = best[2]
    outline: list[tuple[int, int]] = []
    for quarter in range(4):
        for a, b in (*octant, *((d, c) for c, d in reversed(octant))):
            outline.append(((a, b), (-b, a), (-a, -b), (b, -a))[quarter])
    return np.array(outline, dtype=np.int64)


def _whole(value: float, what: str, wanted: str) -> int:
    nearest = round(value)
    if abs(value - nearest) > WHOLE or nearest < 1:
        raise InputError(f"{what}: want {wanted}, got {value:.9g} of them")
    return nearest


@lru_cache(maxsize=64)
def ladder_table(
    *, min_nm: float, max_nm: float, step_nm: float, vertices: int, grid_nm: float, dbu_nm: float
) -> ShapeTable:
    """The shapes of a ladder min, min + step, ... up to max.

    vertices: a multiple of 8 for discs, whose ladder is in diameters; 4 for squares, whose ladder
    is in sides. Raises InputError where the grid, the ladder or the shape does not fit.
    """
    scale = _whole(grid_nm / dbu_nm, "address grid", "a whole number of database units")
    if vertices != 4 and (vertices < 8 or vertices % 8):
        raise InputError(f"vertices: want 4 or a multiple of 8, got {vertices}")
    if not (0 < min_nm <= max_nm and step_nm > 0):
        raise InputError(
            f"ladder: want 0 < min <= max and a step, got {min_nm}, {max_nm}, {step_nm}"
        )
    count = int((max_nm - min_nm) / step_nm + WHOLE) + 1
    if count > np.iinfo(np.uint16).max:
        raise InputError(f"ladder: want at most 65535 sizes, got {count}")
    sizes = [round(min_nm + i * step_nm, 6) for i in range(count)]
    drawn: list[float] = []
    polygons: list[IntArray] = []
    residuals: list[float] = []
    for size in sizes:
        if vertices == 4:
            half = _whole(
                size / grid_nm / 2,
                f"square of side {size:g} nm",
                f"an even number of {grid_nm:g} nm grid steps, that is whole pairs",
            )
            polygon = np.array(
                [(half, half), (-half, half), (-half, -half), (half, -half)], np.int64
            )
            drawn.append(2 * size / sqrt(pi))
            residuals.append(0.0)
        else:
            found = disc_polygon(size / grid_nm, vertices)
            if found is None:
                raise InputError(
                    f"ladder: want diameters that {vertices} vertices on a {grid_nm:g} nm grid can draw, "
                    f"got {size:g} nm; use fewer vertices, larger pillars or a finer address grid"
                )
            polygon = found
            drawn.append(size)
            residuals.append(equal_area_diameter(polygon) * grid_nm - size)
        polygon = polygon * scale
        polygon.flags.writeable = False
        polygons.append(polygon)
    return ShapeTable(tuple(drawn), tuple(polygons), tuple(residuals))
