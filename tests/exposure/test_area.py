"""Exposed areas as lines in density: against the areas of the drawn discs themselves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from layoutgen.exposure.area import MISSED, Line, line_of
from layoutgen.exposure.bias import DENSITY_STEPS, BiasTable
from layoutgen.exposure.part import Masters
from layoutgen.exposure.raster import AREA_UNIT, SLOPE_UNIT

FloatArray = NDArray[np.float64]
SITE_NM2 = 400.0**2
MASTER = np.arange(120.0, 301.0, 20.0)
#: Half a unit of the area, and of the slope over a whole density.
ROUNDED = 0.5 / AREA_UNIT + 0.5 / SLOPE_UNIT


def table(*bias_nm: float) -> BiasTable:
    """The same bias for every diameter, at even steps of density from 0 to 1."""
    nodes = np.linspace(0, 1, len(bias_nm))
    return BiasTable(nodes, np.array([100.0, 320.0]), np.array([[b, b] for b in bias_nm]))


def lines(bias: BiasTable, *, fixed: bool = False, added: float | None = 0.0) -> Line:
    masters = Masters(MASTER, MASTER, np.full(len(MASTER), fixed))
    return line_of(masters, bias, SITE_NM2, DENSITY_STEPS // 4, added)


def areas(bias: BiasTable, density: FloatArray) -> FloatArray:
    """Discs of the drawn diameters over the site's area; numpy's own interpolation."""
    drawn = MASTER + np.interp(density, bias.densities, bias.bias_nm[:, 0])[:, None]
    return math.pi / 4 * drawn**2 / SITE_NM2


def told(line: Line, density: FloatArray) -> FloatArray:
    area = (line.packed[0, 1:] >> 16) / AREA_UNIT
    slope = line.packed[0, 1:].astype(np.int16) / SLOPE_UNIT
    found: FloatArray = area + (density - float(line.origin))[:, None] * slope
    return found


@pytest.mark.parametrize(
    ("bias", "enough"),
    [((0.0, -8.0), True), ((0.0, -60.0), False), ((6.0, -20.0, -24.0, -26.0, -27.0), False)],
)
def test_a_line_misses_by_what_it_says(bias: tuple[float, ...], enough: bool) -> None:
    found = lines(table(*bias))
    assert found.enough == (found.off <= MISSED) == enough
    assert float(found.origin) == 0.25
    # the largest disc everywhere is the most that a density can be
    most = float(areas(table(*bias), np.linspace(0, 1, 101)).max())
    density = np.linspace(0, most, 1001)
    worst = float(np.abs(told(found, density) - areas(table(*bias), density)).max())
    assert found.off - ROUNDED <= worst <= found.off * 1.01 + ROUNDED


def test_no_line_of_one_slope_misses_less() -> None:
    # Chebyshev: the best line over an interval misses a parabola by a h^2 / 8, with a = pi / 2 (db)^2 / site
    bias = table(0.0, -40.0)
    most = float(areas(bias, np.zeros(1)).max())
    a = math.pi / 2 * 40.0**2 / SITE_NM2
    assert lines(bias).off == pytest.approx(a * most**2 / 16, rel=1e-3)


def test_fixed_masters_and_tables_without_density_need_one_deposit() -> None:
    assert lines(table(0.0, -60.0), fixed=True).off == pytest.approx(0, abs=1e-12)
    assert lines(BiasTable.none()).off == pytest.approx(0, abs=1e-12)


def test_what_surroundings_add_and_an_exposed_background_reach_farther() -> None:
    bias = table(0.0, -40.0)
    lone, near, holes = (lines(bias, added=added).off for added in (0.0, 0.2, None))
    a = math.pi / 2 * 40.0**2 / SITE_NM2
    most = float(areas(bias, np.zeros(1)).max())
    assert lone < near < holes
    assert near == pytest.approx(a * (most + 0.2) ** 2 / 16, rel=1e-3)
    assert holes == pytest.approx(a / 16, rel=1e-3)
