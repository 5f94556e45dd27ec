"""Frames and outlines: the polygons around parts, and what of them is one where they meet.

When the background is exposed the writer exposes frames minus shapes. A part's frame is its
outline grown by `frame_width`: a lens's circle is a polygon of 256 vertices of the grown radius,
the others grow with square corners. Frames that meet or touch are united; a union with holes is
cut into pieces without, because no layout format has holes. Polygons are (n, 2) int64 [x, y] in
database units, counter-clockwise, not closed. Edges off the grid go outwards to it, so that a
mirrored frame is the mirror image of the frame.

The wafer's outline carries the notch of SEMI M1 (200 mm wafers and larger): 1 mm deep, 90 degrees,
at -y. Outlines are for viewing only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from layoutgen.wafer.marks import rectangle

__all__ = [
    "Disc", "Outline", "Rect", "circle", "frames_less", "frames_meet", "grown", "united", "wafer_outline",
]  # fmt: skip

Polygon = NDArray[np.int64]

LENS_VERTICES = 256
WAFER_VERTICES = 256  # 8 um of sagitta at 100 mm: for viewing only
NOTCH_DEPTH_NM = 1e6  # SEMI M1: 1.0 (+0.25, -0) mm, 90 degrees
SMALLEST_NOTCHED_NM = 2e7  # coupons have no notch, and a smaller disc has no room for one


@dataclass(frozen=True, slots=True)
class Disc:
    """A lens's circle, collar included; database units."""

    x: float
    y: float
    radius: float

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        r = self.radius
        return self.x - r, self.y - r, self.x + r, self.y + r


@dataclass(frozen=True, slots=True)
class Rect:
    """An axis-parallel rectangle; database units, whole or half."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        return self.x0, self.y0, self.x1, self.y1


Outline = Disc | Rect


def circle(radius: float, vertices: int = LENS_VERTICES) -> Polygon:
    """A regular polygon with its corners on the circle, the first at (radius, 0); 4 | vertices.

    One quarter is computed and turned, so it has the symmetry of the square exactly.
    """
    angle = 2 * math.pi / vertices
    quarter = [
        (
            math.floor(radius * math.cos(k * angle) + 0.5),
            math.floor(radius * math.sin(k * angle) + 0.5),
        )
        for k in range(vertices // 4)
    ]
    points = np.array(quarter, dtype=np.int64)
    # the second eighth is the first one mirrored, also where cos and sin differ by a rounding
    for k in range(vertices // 8 + 1, vertices // 4):
        points[k] = points[vertices // 4 - k][::-1]
    turned = [points]
    for _ in range(3):
        last = turned[-1]
        turned.append(np.stack((-last[:, 1], last[:, 0]), axis=1))
    return np.concatenate(turned)


def grown(outline: Outline | Polygon, width: int) -> Polygon:
    """A frame: the outline grown by `width` database units."""
    if isinstance(outline, Disc):
        centre = np.array([round(outline.x), round(outline.y)], dtype=np.int64)
        return circle(outline.radius + width) + centre
    if isinstance(outline, Rect):
        return rectangle(
            math.floor(outline.x0) - width,
            math.floor(outline.y0) - width,
            math.ceil(outline.x1) + width,
            math.ceil(outline.y1) + width,
        )
    return _corners(shapely.Polygon(outline).buffer(width, join_style="mitre"))


def _corners(polygon: shapely.Polygon) -> Polygon:
    """Corners of a polygon without holes, counter-clockwise, on the grid."""
    ring = shapely.get_coordinates(shapely.orient_polygons(polygon))[:-1]
    return np.floor(ring + 0.5).astype(np.int64)


def united(polygons: Sequence[Polygon]) -> tuple[Polygon, ...]:
    """The same area with no overlap: polygons that meet become one, the others stay as they are.

    In order of the first polygon of each piece.
    """
    if len(polygons) < 2:
        return tuple(polygons)
    shapes: list[shapely.Geometry] = [shapely.Polygon(p) for p in polygons]
    # what other programs draw may touch or cross itself
    shapes = [s if shapely.is_valid(s) else shapely.make_valid(s) for s in shapes]
    tree = shapely.STRtree(shapes)
    leader = list(range(len(shapes)))

    def find(k: int) -> int:
        while leader[k] != k:
            leader[k] = leader[leader[k]]
            k = leader[k]
        return k

    for a, b in tree.query(shapes, predicate="intersects").T.tolist():
        first, second = sorted((find(a), find(b)))
        leader[second] = first
    groups: dict[int, list[int]] = {}
    for k in range(len(shapes)):
        groups.setdefault(find(k), []).append(k)
    pieces: list[Polygon] = []
    for members in groups.values():
        if len(members) == 1:
            pieces.append(polygons[members[0]])
            continue
        pieces += _pieces(shapely.union_all([shapes[k] for k in members], grid_size=1.0))
    return tuple(pieces)


def frames_less(some: Sequence[Polygon], others: Sequence[Polygon]) -> tuple[Polygon, ...]:
    """What the first cover and the others do not; those that meet none stay as they are."""
    cut = [shapely.Polygon(p) for p in others]
    tree = shapely.STRtree(cut)
    left: list[Polygon] = []
    for polygon in some:
        shape = shapely.Polygon(polygon)
        near = tree.query(shape, predicate="intersects").tolist()
        if not near:
            left.append(polygon)
            continue
        taken = shapely.union_all([cut[k] for k in near])
        left += _pieces(shapely.difference(shape, taken, grid_size=1.0))
    return tuple(left)


def frames_meet(some: Sequence[Polygon], others: Sequence[Polygon]) -> bool:
    """Whether any frame of the first touches one of the second."""
    tree = shapely.STRtree([shapely.Polygon(p) for p in others])
    return bool(tree.query([shapely.Polygon(p) for p in some], predicate="intersects").size)


def _pieces(geometry: shapely.Geometry) -> list[Polygon]:
    """The polygons of a geometry, cut so that none has a hole; lines and points are left out."""
    parts = shapely.get_parts(geometry).tolist()
    return [p for part in parts if isinstance(part, shapely.Polygon) for p in _without_holes(part)]


def _without_holes(polygon: shapely.Polygon) -> list[Polygon]:
    """Cut a polygon through its holes until none is left."""
    # a hole under two database units wide has no grid line through it and no writer draws it
    holes = [
        ring.bounds
        for ring in polygon.interiors
        if min(ring.bounds[2] - ring.bounds[0], ring.bounds[3] - ring.bounds[1]) >= 2
    ]
    if not holes:
        return [_corners(shapely.Polygon(polygon.exterior))]
    x0, y0, x1, y1 = polygon.bounds
    hole = holes[0]
    cut = math.floor((hole[0] + hole[2]) / 2)
    sides = shapely.box(x0, y0, cut, y1), shapely.box(cut, y0, x1, y1)
    return [p for s in sides for p in _pieces(shapely.intersection(polygon, s, grid_size=1.0))]


def wafer_outline(diameter: float, dbu_nm: float) -> Polygon:
    """The wafer's edge with its notch at -y; diameter in database units."""
    rim = circle(diameter / 2, WAFER_VERTICES)
    if diameter * dbu_nm < SMALLEST_NOTCHED_NM:
        return rim
    apex = diameter / 2 - NOTCH_DEPTH_NM / dbu_nm
    # the sides leave the apex at 45 degrees: t^2 + (apex + t)^2 = (diameter / 2)^2
    t = (math.sqrt(diameter**2 / 2 - apex**2) - apex) / 2
    mouth = math.floor(t + 0.5)
    rim = rim[~((np.abs(rim[:, 0]) <= mouth) & (rim[:, 1] < 0))]
    lip = -math.floor(math.sqrt(diameter**2 / 4 - t * t) + 0.5)
    notch = np.array([[-mouth, lip], [0, -math.floor(apex + 0.5)], [mouth, lip]], dtype=np.int64)
    last = int(np.flatnonzero((rim[:, 0] < 0) & (rim[:, 1] < 0))[-1]) + 1
    return np.concatenate((rim[:last], notch, rim[last:]))
