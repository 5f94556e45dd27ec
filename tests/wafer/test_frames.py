"""Frames: areas of unions by hand, no holes, and the wafer's notch after SEMI M1."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from layoutgen.wafer.frames import Disc, Rect, circle, grown, united, wafer_outline
from layoutgen.wafer.marks import cross, rectangle

SQUARES = st.lists(
    st.tuples(st.integers(-60, 60), st.integers(-60, 60), st.integers(2, 50), st.integers(2, 50)),
    min_size=1,
    max_size=12,
)


def test_a_lens_frame_is_a_256_gon_of_the_grown_radius() -> None:
    frame = grown(Disc(1000, -500, 600_000), 20_000)
    assert frame.shape == (256, 2)
    from_centre = np.hypot(*(frame - np.array([1000, -500])).T)
    assert np.abs(from_centre - 620_000).max() <= math.sqrt(0.5)  # corners are on the grid
    # area of a regular n-gon: n r^2 sin(2 pi / n) / 2
    area = 128 * 620_000**2 * math.sin(2 * math.pi / 256)
    assert shapely.Polygon(frame).area == pytest.approx(area, rel=1e-6)


@given(radius=st.floats(1, 1e8))
def test_circles_have_the_symmetry_of_the_square(radius: float) -> None:
    points = {(int(x), int(y)) for x, y in circle(radius)}
    assert points == {(-x, y) for x, y in points} == {(y, x) for x, y in points}


def test_rectangles_and_crosses_grow_with_square_corners() -> None:
    assert shapely.Polygon(grown(Rect(-10.5, 0, 10.5, 7), 5)).bounds == (-16, -5, 16, 12)
    # sides between grid lines go outwards to the next
    assert shapely.Polygon(grown(Rect(-3.5, -0.5, 2.5, 7.5), 5)).bounds == (-9, -6, 8, 13)
    # a cross grown by w is the cross with longer arms and wider bars
    larger = shapely.Polygon(cross(500 + 20, 10 + 20))
    assert shapely.Polygon(grown(cross(500, 10), 20)).equals(larger)


@given(squares=SQUARES)
def test_a_union_keeps_the_area_and_its_pieces_do_not_overlap(
    squares: list[tuple[int, int, int, int]],
) -> None:
    frames = [rectangle(x, y, x + w, y + h) for x, y, w, h in squares]
    # the area counted grid step by grid step
    painted = np.zeros((180, 180), dtype=bool)
    for x, y, w, h in squares:
        painted[y + 60 : y + h + 60, x + 60 : x + w + 60] = True
    pieces = [shapely.Polygon(p) for p in united(frames)]
    assert all(p.is_valid and p.exterior.is_ccw for p in pieces)
    # holes one step wide are filled on purpose
    filled = shapely.union_all(pieces).area
    assert sum(p.area for p in pieces) == pytest.approx(filled)
    slits = sum(
        shapely.Polygon(ring).area
        for part in shapely.get_parts(shapely.union_all([shapely.Polygon(f) for f in frames]))
        for ring in part.interiors
        if min(ring.bounds[2] - ring.bounds[0], ring.bounds[3] - ring.bounds[1]) < 2
    )
    assert filled == pytest.approx(painted.sum() + slits)


def test_frames_that_do_not_meet_stay_as_they_are() -> None:
    frames = [grown(Disc(0, 0, 1000), 10), rectangle(2000, 0, 2010, 10)]
    assert all(a is b for a, b in zip(united(frames), frames, strict=True))


def test_a_ring_of_frames_is_cut_into_pieces_without_holes() -> None:
    ring = [
        rectangle(-50, -50, 50, -30),
        rectangle(-50, 30, 50, 50),
        rectangle(-50, -50, -30, 50),
        rectangle(30, -50, 50, 50),
    ]
    pieces = [shapely.Polygon(p) for p in united(ring)]
    assert sum(p.area for p in pieces) == 100**2 - 60**2
    assert not any(p.intersects(shapely.Point(0, 0)) for p in pieces)


def test_no_frames_unite_to_none() -> None:
    assert united([]) == ()


@pytest.mark.parametrize("dbu_nm", [1.0, 0.5])
def test_the_notch_is_one_millimetre_deep_and_ninety_degrees_wide(dbu_nm: float) -> None:
    # SEMI M1: depth 1.0 (+0.25, -0) mm, 90 degrees, values from memory
    diameter = 200e6 / dbu_nm
    rim = wafer_outline(diameter, dbu_nm)
    shape = shapely.Polygon(rim)
    assert shape.is_valid
    assert shape.exterior.is_ccw
    inner = int(np.hypot(*rim.T).argmin())
    left, apex, right = rim[inner - 1], rim[inner], rim[inner + 1]
    assert apex.tolist() == [0, -round(99e6 / dbu_nm)]
    sides = [p - apex for p in (left, right)]
    angle = math.degrees(math.acos(sides[0] @ sides[1] / math.prod(np.hypot(*s) for s in sides)))
    assert angle == pytest.approx(90, abs=4e-5)  # two ends rounded to the grid, 1 mm away
    on_rim = np.delete(np.hypot(*rim.T), inner)
    assert np.abs(on_rim - diameter / 2).max() <= 1


def test_a_coupon_has_no_notch() -> None:
    assert np.hypot(*wafer_outline(1e7, 1.0).T).min() >= 5e6 - 1
