"""Polygons of drawn pillars against closed forms and a search of their own."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from layoutgen.errors import InputError
from layoutgen.layout.shapes import (
    disc_polygon,
    equal_area_diameter,
    ladder_table,
    residual_rms_nm,
)


@pytest.mark.parametrize("step_nm", [1.0, 0.5])
def test_octagons_of_a_ladder_hit_the_area_within_0_11_nm_rms_on_a_1_nm_grid(
    step_nm: float,
) -> None:
    table = ladder_table(min_nm=90, max_nm=330, step_nm=step_nm, vertices=8, grid_nm=1, dbu_nm=1)
    assert len(table) == round(240 / step_nm) + 1
    assert residual_rms_nm(table) <= 0.11
    # the residual, from an area that shapely works out
    for drawn, polygon, residual in zip(
        table.drawn_nm, table.polygons, table.residual_nm, strict=True
    ):
        area = shapely.Polygon(polygon).area
        assert sqrt(4 * area / pi) - drawn == pytest.approx(residual, abs=1e-9)


@pytest.mark.parametrize("diameter", [90, 123, 200.5, 310])
def test_an_octagon_is_the_best_of_all_whole_a_and_b_near_the_regular_one(diameter: float) -> None:
    # regular octagon of equal area: 2 sqrt(2) R^2 = pi d^2 / 4, vertices at 22.5 degrees; by the
    # area of a square of side 2 a without four corner triangles of legs a - b
    radius = diameter / 2 * sqrt(pi / (2 * sqrt(2)))
    a0, b0 = radius * np.cos(pi / 8), radius * np.sin(pi / 8)
    best = min(
        (
            abs(4 * a * a - 2 * (a - b) ** 2 - pi * diameter**2 / 4),
            (a - a0) ** 2 + (b - b0) ** 2,
            a,
            b,
        )
        for a in range(round(a0) - 2, round(a0) + 3)
        for b in range(round(b0) - 2, round(b0) + 3)
        if a > b >= 1
    )
    polygon = disc_polygon(diameter, 8)
    assert polygon is not None
    assert tuple(polygon[0]) == best[2:]


@given(diameter=st.floats(40, 400), vertices=st.sampled_from([8, 16, 24, 32]))
def test_a_disc_is_convex_and_has_the_symmetries_of_the_square(
    diameter: float, vertices: int
) -> None:
    polygon = disc_polygon(diameter, vertices)
    assert polygon is not None
    assert polygon.shape == (vertices, 2)
    points = {(int(x), int(y)) for x, y in polygon}
    assert len(points) == vertices
    assert points == {(-y, x) for x, y in points} == {(x, -y) for x, y in points}
    step = np.roll(polygon, -1, axis=0) - polygon
    after = np.roll(step, -1, axis=0)
    assert np.all(step[:, 0] * after[:, 1] - step[:, 1] * after[:, 0] > 0)


@pytest.mark.parametrize("vertices", [16, 24, 32])
def test_small_discs_of_many_vertices_are_convex_too(vertices: int) -> None:
    # a few grid steps from vertex to vertex: the nearest area would often have a dent
    for diameter in range(20, 111):
        polygon = disc_polygon(diameter, vertices)
        if polygon is None:
            assert diameter < 40
            continue
        step = np.roll(polygon, -1, axis=0) - polygon
        after = np.roll(step, -1, axis=0)
        assert np.all(step[:, 0] * after[:, 1] - step[:, 1] * after[:, 0] > 0), diameter


@pytest.mark.parametrize("vertices", [8, 16, 24, 32])
def test_more_vertices_stay_near_the_circle(vertices: int) -> None:
    polygon = disc_polygon(300, vertices)
    assert polygon is not None
    radius = np.hypot(polygon[:, 0], polygon[:, 1])
    # a regular polygon of equal area reaches R = d/2 sqrt(2 pi / (N sin(2 pi / N))); grid +- 2
    expected = 150 * sqrt(2 * pi / (vertices * np.sin(2 * pi / vertices)))
    assert np.all(np.abs(radius - expected) < 3)
    assert equal_area_diameter(polygon) == pytest.approx(300, abs=0.25)


def test_an_octagon_has_flat_sides_on_the_axes() -> None:
    polygon = disc_polygon(200, 8)
    assert polygon is not None
    right = polygon[polygon[:, 0] == polygon[:, 0].max()]
    assert len(right) == 2
    assert right[0][1] == -right[1][1]


def test_squares_are_exact_and_drawn_as_discs_of_equal_area() -> None:
    table = ladder_table(min_nm=100, max_nm=300, step_nm=2, vertices=4, grid_nm=1, dbu_nm=0.5)
    assert len(table) == 101
    assert table.polygons[0].tolist() == [[100, 100], [-100, 100], [-100, -100], [100, -100]]
    # side = d sqrt(pi) / 2
    assert table.drawn_nm[0] * sqrt(pi) / 2 == pytest.approx(100, abs=1e-12)
    assert set(table.residual_nm) == {0.0}


@pytest.mark.parametrize("sides", [(101, 2), (100, 1), (100, 0.5)])
def test_a_square_of_an_odd_side_is_refused(sides: tuple[float, float]) -> None:
    with pytest.raises(InputError, match="even number of 1 nm grid steps"):
        ladder_table(min_nm=sides[0], max_nm=110, step_nm=sides[1], vertices=4, grid_nm=1, dbu_nm=1)


def test_the_address_grid_holds_whatever_the_database_unit() -> None:
    coarse = ladder_table(min_nm=100, max_nm=120, step_nm=1, vertices=8, grid_nm=2, dbu_nm=0.5)
    assert all(np.all(polygon % 4 == 0) for polygon in coarse.polygons)
    with pytest.raises(InputError, match="whole number of database units"):
        ladder_table(min_nm=100, max_nm=120, step_nm=1, vertices=8, grid_nm=1.5, dbu_nm=1)


@pytest.mark.parametrize("vertices", [3, 6, 12, 0])
def test_vertices_that_are_no_multiple_of_8_are_refused(vertices: int) -> None:
    with pytest.raises(InputError, match="multiple of 8"):
        ladder_table(min_nm=100, max_nm=120, step_nm=1, vertices=vertices, grid_nm=1, dbu_nm=1)


def test_a_disc_too_small_for_its_vertices_is_refused() -> None:
    with pytest.raises(InputError, match="fewer vertices"):
        ladder_table(min_nm=20, max_nm=30, step_nm=1, vertices=128, grid_nm=1, dbu_nm=1)
