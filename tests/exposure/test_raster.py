"""Densities of simple areas on the raster against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import erf
from scipy.stats import ncx2

from layoutgen.exposure.coverage import deposit_polygons, polygon_density
from layoutgen.exposure.part import MasterArray, Masters, Part, Site
from layoutgen.exposure.part_raster import PartRaster
from layoutgen.exposure.raster import (
    AREA_UNIT,
    Convolver,
    Grid,
    convolve_columns,
    convolve_rows,
    node_taps,
    node_values,
    packed,
    prolong,
    restrict,
    single_taps,
)
from layoutgen.exposure.scatter import ScatterTerm
from layoutgen.lattice import Lattice
from layoutgen.optics.domain import Circle

BETA = 9000.0
GAUSS = (ScatterTerm("gaussian", BETA, 1.0),)


def square(side: float, x: float = 0.0, y: float = 0.0) -> np.ndarray:
    h = side / 2
    return np.array([[x - h, y - h], [x + h, y - h], [x + h, y + h], [x - h, y + h]])


@pytest.mark.parametrize("distance", [-1.0, 0.0, 0.5, 1.0])
def test_density_across_a_straight_edge_follows_the_error_function(distance: float) -> None:
    # (1 + erf(d / beta)) / 2 for a half plane (integral of the Gaussian)
    wide = square(20 * BETA, x=10 * BETA)
    at = np.array([distance * BETA])
    found = polygon_density([wide], GAUSS, at, np.zeros(1))[0, 0]
    assert found == pytest.approx((1 + erf(distance)) / 2, abs=3e-4)


def test_taps_to_the_nodes_are_those_to_coefficients_and_then_to_nodes() -> None:
    rng = np.random.default_rng(1)
    source = np.zeros((90, 120), np.float32)
    source[40:50, 45:75] = rng.random((10, 30))  # no tap from here reaches the array's edges

    def through(taps: np.ndarray) -> np.ndarray:
        across, found = np.zeros_like(source), np.zeros_like(source)
        convolve_rows(source, taps, across)
        convolve_columns(across, 0, 0, taps, found)
        return found

    taps = node_taps(BETA, BETA / 4)
    assert taps[0] + 2 * taps[1:].sum() == pytest.approx(1, abs=1e-6)
    found = through(taps)
    np.testing.assert_allclose(
        found, node_values(through(single_taps(BETA, BETA / 4))), rtol=0, atol=5e-7
    )
    # the same rows and columns from a corner of their own
    part = np.zeros((20, 100), np.float32)
    across = np.zeros_like(source)
    convolve_rows(source, taps, across)
    convolve_columns(across, 33, 20, taps, part)
    np.testing.assert_array_equal(part, found[33:53, 20:])


def test_beyond_the_arrays_edge_coefficients_count_as_those_at_it() -> None:
    coef = np.random.default_rng(2).random((7, 9)).astype(np.float32)
    wide = np.pad(coef.astype(np.float64), 1, mode="edge")
    across = (wide[:, :-2] + 4 * wide[:, 1:-1] + wide[:, 2:]) / 6
    wanted = (across[:-2] + 4 * across[1:-1] + across[2:]) / 6
    np.testing.assert_allclose(node_values(coef), wanted, rtol=0, atol=2e-7)


@pytest.mark.parametrize("side", [0.5, 2.0, 5.0])
def test_the_centre_of_a_square_pad_sees_erf_squared(side: float) -> None:
    # rho erf(L / (2 beta))^2, product of two straight integrals; the corner of a wide pad sees 1/4
    found = polygon_density([square(side * BETA)], GAUSS, np.zeros(1), np.zeros(1))[0, 0]
    assert found == pytest.approx(erf(side / 2) ** 2, abs=3e-4)


def test_the_corner_of_a_wide_pad_sees_a_quarter() -> None:
    wide = square(20 * BETA, x=10 * BETA, y=10 * BETA)
    assert polygon_density([wide], GAUSS, np.zeros(1), np.zeros(1))[0, 0] == pytest.approx(
        0.25, abs=3e-4
    )


@pytest.mark.parametrize(("radius", "r", "b"), [(1, 1, 1), (1, 1, 0.2), (1, 0.5, 0.5), (2, 0, 1)])
def test_a_disc_is_a_noncentral_chi_square(radius: float, r: float, b: float) -> None:
    # Marcum Q: ncx2.cdf(2 R^2 / b^2, 2, 2 r^2 / b^2); a polygon of 512 sides stands for the disc
    scale = 10_000.0
    angles = 2 * np.pi * np.arange(512) / 512
    disc = radius * scale * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    terms = (ScatterTerm("gaussian", b * scale, 1.0),)
    found = polygon_density([disc], terms, np.array([r * scale]), np.zeros(1))[0, 0]
    assert found == pytest.approx(
        float(ncx2.cdf(2 * (radius / b) ** 2, 2, 2 * (r / b) ** 2)), abs=4e-4
    )


@pytest.mark.parametrize("term", ["exponential", "power"])
def test_a_large_area_is_dense_whatever_the_term(term: str) -> None:
    terms = (ScatterTerm(term, 2000.0, 1.0, 2.5),)
    found = polygon_density([square(400_000.0)], terms, np.zeros(1), np.zeros(1))[0, 0]
    # what lies beyond the square's nearest and farthest edge brackets the answer
    assert 1 - terms[0].outside(200_000.0) - 2e-4 <= found <= 1 + 2e-4


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), corners=st.integers(3, 9))
def test_the_deposit_of_a_polygon_holds_its_area(seed: int, corners: int) -> None:
    rng = np.random.default_rng(seed)
    angles = 2 * np.pi * (np.arange(corners) + rng.uniform(0, 0.8, corners)) / corners
    radii = rng.uniform(3000, 30_000, corners)  # about a centre inside: never crosses itself
    polygon = np.stack([radii * np.cos(angles), radii * np.sin(angles)], axis=1)
    grid = Grid(2000.0, 2300.0, -25, -24, 52, 50)
    got = float(deposit_polygons([polygon], grid).sum()) * grid.hx * grid.hy
    assert got == pytest.approx(abs(shapely.Polygon(polygon).area), rel=1e-9)


def test_overlapping_polygons_count_once() -> None:
    grid = Grid(2000.0, 2000.0, -20, -20, 41, 41)
    one = deposit_polygons([square(20_000.0)], grid)
    two = deposit_polygons([square(20_000.0), square(10_000.0)], grid)
    np.testing.assert_allclose(one, two, atol=1e-12)


def test_coarser_nodes_hold_the_same_area_and_finer_ones_the_same_spline() -> None:
    rng = np.random.default_rng(5)
    fine = rng.random((20, 24)).astype(np.float32)
    coarse, i0, j0 = restrict(fine, -3, -4)
    assert 4 * float(coarse.sum()) == pytest.approx(float(fine.sum()), rel=1e-6)
    # a spline of constant coefficients is constant on any nodes
    flat = np.ones((9, 9), np.float32)
    finer = prolong(flat, 0, 0, (4, 4, 8, 8))
    np.testing.assert_allclose(finer, 1.0, atol=1e-6)
    assert (i0, j0) == ((-3 - 2) // 2, (-4 - 2) // 2)


def test_a_mirrored_array_gives_what_the_whole_array_gives() -> None:
    rng = np.random.default_rng(7)
    quarter = rng.random((30, 30)).astype(np.float32)
    whole = np.zeros((81, 81), np.float32)
    for y in range(-29, 30):
        for x in range(-29, 30):
            whole[40 + y, 40 + x] = quarter[abs(y), abs(x)]
    terms = (ScatterTerm("gaussian", 9000.0, 0.7), ScatterTerm("exponential", 20_000.0, 0.3))
    full = Convolver(Grid(2000.0, 2000.0, -40, -40, 81, 81), terms, False, False)(whole)
    part = Convolver(Grid(2000.0, 2000.0, -4, -4, 45, 45), terms, True, True)(whole[36:, 36:])
    np.testing.assert_allclose(part, full[36:, 36:], atol=2e-4)


@pytest.mark.parametrize("lattice", [
    Lattice("square", 400, 400, "gap"), Lattice("square", 400, 400, "site"),
    Lattice("hexagonal", 400, 346, "gap"),
], ids=str)  # fmt: skip
def test_a_deposit_keeps_the_area_whatever_the_order_and_cut_of_blocks(lattice: Lattice) -> None:
    area = np.array([0, 1111, 5003, 12_345], dtype=np.int32)  # AREA_UNITs of each master

    def source(site: Site) -> MasterArray:
        w = site.window
        row, col = np.mgrid[w.row0 : w.row0 + w.rows, w.col0 : w.col0 + w.cols]
        found: MasterArray = ((row * 5 + col * 3) % 4).astype(np.uint8)
        lo, hi = site.runs
        at = np.arange(w.cols)[None, :]
        found[(at < lo[:, None]) | (at >= hi[:, None])] = 0
        return found

    size = np.array([100.0, 200.0, 300.0])
    slope = np.array([0, -700, 45, 9001], dtype=np.int32)  # SLOPE_UNITs, likewise
    table = packed(area, slope)[None, :]
    masters = Masters(size, size, np.zeros(3, dtype=np.bool_))
    part = Part("lens", lattice, Circle(20_000**2, 20_000**2), "whole", masters, source)
    raster = PartRaster(part, GAUSS, 0.0)
    whole_window = (slice(0, raster.grid.rows), slice(0, raster.grid.cols))
    rows = part.pieces[0].rows

    def deposited(side: int, backwards: bool) -> list[np.ndarray]:
        sites = [Site(0, window, rows) for window in rows.blocks(side)]
        out = [np.zeros(raster.grid.shape), np.zeros(raster.grid.shape)]
        for site in sites[::-1] if backwards else sites:
            raster.deposit(table, site, source(site), whole_window, out)
        return out

    once = deposited(1000, False)
    for side, backwards in ((1000, True), (64, False), (17, True), (5, False)):
        for found, wanted in zip(deposited(side, backwards), once, strict=True):
            np.testing.assert_array_equal(found, wanted)  # to the last bit
    # what was put in, counted site by site; weights are 2^12 along each axis, those of cells 2^8
    put = [
        (row, col, (5 * row + 3 * col) % 4)
        for row, lo, hi in zip(
            range(rows.row0, rows.row0 + len(rows.lo)), rows.lo, rows.hi, strict=True
        )
        for col in range(int(lo), int(hi))
    ]
    total = sum(int(area[k]) for _, _, k in put)
    assert once[0].sum() == total * 2**24
    assert once[1].sum() == sum(int(slope[k]) for _, _, k in put) * 2**16
    # and where: centre and spread of a cubic B-spline about every site; slopes lose what varies in a cell,
    # so those on the rim move outwards
    g = raster.grid
    for found, amount, near in ((once[0], area, 1e-4), (once[1], slope, 1e-2)):
        weight = np.array([float(amount[k]) for _, _, k in put])
        for axis, at, step in (
            (0, g.xs(), g.hx),
            (1, g.ys(), g.hy),
        ):
            own = np.array(
                [(lattice.x_dbu(r, c), lattice.y_dbu(r))[axis] for r, c, _ in put], dtype=float
            )
            share = found.sum(axis=axis) / found.sum()
            centre = float(own @ weight / weight.sum())
            assert float(share @ at) == pytest.approx(centre, abs=near * step)
            spread = float((own - centre) ** 2 @ weight / weight.sum()) + step**2 / 3
            assert float(share @ (at - centre) ** 2) == pytest.approx(spread, rel=near)
    # in area: the fill of all nodes times a node's own area
    got = (
        float(raster.fill(once[0].copy()).astype(np.float64).sum())
        * raster.grid.hx
        * raster.grid.hy
    )
    assert got == pytest.approx(total / AREA_UNIT * lattice.site_area_dbu2, rel=1e-6)
