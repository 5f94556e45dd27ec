"""Marks: areas and widths by hand, symmetry, orientation."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
import shapely
from pydantic import TypeAdapter

from layoutgen.recipe.model import Mark
from layoutgen.wafer.marks import Figure, mark_figure, vernier

NM = Fraction(1)
ADAPTER: TypeAdapter[Mark] = TypeAdapter(Mark)


def figure(dbu: Fraction = NM, **keys: Any) -> Figure:
    return mark_figure(ADAPTER.validate_python({**keys, "at": (("0 mm", "0 mm"),)}), dbu)


CROSS: dict[str, Any] = {"kind": "cross", "arm": "500 um", "width": "20 um"}
BOX: dict[str, Any] = {"kind": "box", "outer": "100 um", "width": "8 um"}
VERNIER: dict[str, Any] = {
    "kind": "vernier",
    "pitches": ("8 um", "8.2 um"),
    "lines": 21,
    "length": "40 um",
}
STITCH: dict[str, Any] = {**VERNIER, "kind": "stitch"}


@pytest.mark.parametrize("keys", [CROSS, BOX, VERNIER, STITCH], ids=lambda k: str(k["kind"]))
def test_polygons_are_simple_counter_clockwise_and_do_not_overlap(keys: dict[str, Any]) -> None:
    shapes = [shapely.Polygon(p) for p in figure(**keys).polygons]
    assert all(s.is_valid and s.exterior.is_ccw for s in shapes)
    assert shapely.union_all(shapes).area == sum(s.area for s in shapes)


@pytest.mark.parametrize(
    ("keys", "area_um2"),
    [
        (CROSS, 2 * 1000 * 20 - 20 * 20),  # two bars less the square that they share
        (BOX, 100**2 - 84**2),
        (VERNIER, 2 * 21 * 4 * 40),  # lines half of the smaller pitch wide
        (STITCH, 4 * 2 * 21 * 4 * 40),
    ],
    ids=["cross", "box", "vernier", "stitch"],
)
def test_areas_are_those_of_the_textbook_shapes(keys: dict[str, Any], area_um2: float) -> None:
    area = sum(shapely.Polygon(p).area for p in figure(**keys).polygons)
    assert area == area_um2 * 1e6


def test_a_cross_is_one_polygon_of_twelve_corners() -> None:
    (polygon,) = figure(**CROSS).polygons
    assert polygon.shape == (12, 2)
    assert shapely.Polygon(polygon).bounds == (-500_000, -500_000, 500_000, 500_000)


@pytest.mark.parametrize("keys", [CROSS, BOX, VERNIER], ids=lambda k: str(k["kind"]))
def test_marks_are_their_own_image_in_a_mirror_along_x(keys: dict[str, Any]) -> None:
    one = figure(**keys)
    area = shapely.union_all([shapely.Polygon(p) for p in one.polygons])
    mirrored = shapely.union_all([shapely.Polygon(p) for p in one.mirrored().polygons])
    assert area.equals(mirrored)


def test_an_odd_width_is_drawn_symmetrically() -> None:
    (polygon,) = figure(kind="cross", arm="101 nm", width="7 nm").polygons
    assert np.array_equal(np.sort(polygon[:, 0]), np.sort(-polygon[:, 0]))
    assert sorted(set(np.abs(polygon[:, 0]).tolist())) == [4, 101]  # 3.5 goes up


@pytest.mark.parametrize("lines", [20, 21])
def test_vernier_lines_walk_apart_by_the_difference_of_the_pitches(lines: int) -> None:
    # the principle of Vernier (1631): the k-th pair from the middle is k (a - b) apart
    polygons = vernier((Fraction(8000), Fraction(8200)), lines, 40_000).polygons
    middle = [(int(p[:, 0].min()) + int(p[:, 0].max())) / 2 for p in polygons]
    upper, lower = middle[:lines], middle[lines:]
    assert all(p[:, 1].min() == 0 for p in polygons[:lines])
    assert all(p[:, 1].max() == 0 for p in polygons[lines:])
    for k, (a, b) in enumerate(zip(upper, lower, strict=True)):
        assert b - a == 200 * (k - (lines - 1) / 2)


@pytest.mark.parametrize("direction", [90, -90, 180, 270, 360, 450])
def test_quarter_turns_of_a_vernier_are_exact(direction: float) -> None:
    flat = vernier((Fraction(8001), Fraction(8203)), 5, 40_001)
    turned = vernier((Fraction(8001), Fraction(8203)), 5, 40_001, direction)
    c, s = {0: (1, 0), 90: (0, 1), 180: (-1, 0), 270: (0, -1)}[int(direction) % 360]
    rotation = np.array([[c, -s], [s, c]])
    for before, after in zip(flat.polygons, turned.polygons, strict=True):
        assert np.array_equal(before @ rotation.T, after)


def test_a_slanted_vernier_keeps_its_area_to_the_rounding_of_its_corners() -> None:
    turned = vernier((Fraction(8000), Fraction(8200)), 5, 40_000, 30.0)
    for polygon in turned.polygons:
        # corners move by half a step at most, so the area by half the circumference at most
        assert shapely.Polygon(polygon).area == pytest.approx(4000 * 40_000, abs=0.71 * 88_000)
        along = polygon[1] - polygon[0]
        assert np.degrees(np.arctan2(along[1], along[0])) == pytest.approx(30, abs=0.03)


@pytest.mark.parametrize(
    "keys",
    [
        {"kind": "cross", "arm": "10 um", "width": "20 um"},
        {"kind": "cross", "arm": "10 um", "width": "0.4 nm"},
        {"kind": "box", "outer": "16 um", "width": "8 um"},
        {"kind": "vernier", "pitches": ("1 nm", "2 nm"), "lines": 3, "length": "1 um"},
        {"kind": "stitch", "pitches": ("1 nm", "2 nm"), "lines": 3, "length": "1 um"},
    ],
)
def test_sizes_that_make_no_mark_are_refused(keys: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"want a .*, got "):
        figure(**keys)


def test_sizes_count_in_steps_of_the_database_unit() -> None:
    (polygon,) = figure(Fraction(1, 2), **CROSS).polygons
    assert polygon.max() == 1_000_000


def test_a_shift_of_one_field_lines_up_another_pair_of_a_stitch_mark() -> None:
    # Vernier's principle across each boundary: with pitches of 8 and 8.2 um a field that is off by 400 nm
    # along its boundary lines up the second pair from the middle, on that arm and on no other way round
    centres = np.array([(p.min(axis=0) + p.max(axis=0)) / 2 for p in figure(**STITCH).polygons])
    for east in (True, False):
        held = centres[np.abs(centres[:, 0]) > np.abs(centres[:, 1])]
        held = held[(held[:, 0] > 0) == east]
        upper, lower = held[held[:, 1] > 0], held[held[:, 1] < 0] + [400, 0]
        apart = np.abs(upper[:, 0][:, None] - lower[:, 0][None, :])
        i, j = (int(k[0]) for k in np.nonzero(apart == 0))
        assert abs(i - 10) == abs(j - 10) == 2
    north = centres[(np.abs(centres[:, 1]) > np.abs(centres[:, 0])) & (centres[:, 1] > 0)]
    assert len(north) == 42
    assert (north[:, 0] > 0).sum() == (north[:, 0] < 0).sum() == 21


def test_no_figure_of_a_stitch_mark_crosses_a_boundary_and_all_four_fields_have_some() -> None:
    polygons = figure(**STITCH).polygons
    signs = set()
    for p in polygons:
        low, high = p.min(axis=0), p.max(axis=0)
        assert (low * high >= 0).all()  # on one side of x = 0 and on one side of y = 0
        signs.add(tuple(np.sign(low + high).tolist()))
    assert signs == {(1, 1), (1, -1), (-1, 1), (-1, -1)}


@pytest.mark.parametrize("direction", ["0 deg", "90 deg"])
def test_the_second_comb_may_be_of_a_later_step(direction: str) -> None:
    both = figure(**VERNIER, direction=direction)
    split = figure(**VERNIER, direction=direction, second_layer="20/0")
    assert len(split.polygons) == len(split.second) == 21
    for before, after in zip(both.polygons, (*split.polygons, *split.second), strict=True):
        assert np.array_equal(before, after)
    assert np.array_equal(split.outline, both.outline)
    assert len(split.mirrored().second) == 21
