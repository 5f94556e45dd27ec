"""Density that polygons give, against closed forms of single terms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import erf

from layoutgen.exposure.coverage import polygon_density
from layoutgen.exposure.scatter import SHARE_OUTSIDE, ScatterTerm

FloatArray = NDArray[np.float64]

BETA = 9000.0  # nm


def rectangle(x0: float, y0: float, x1: float, y1: float) -> FloatArray:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def strip(low: float, high: float, at: FloatArray) -> FloatArray:
    """Share of a Gaussian exp(-r^2/b^2)/(pi b^2) along one axis between low and high."""
    return (erf((high - at) / BETA) - erf((low - at) / BETA)) / 2


def test_a_rectangle_under_a_gaussian_is_a_product_of_error_functions() -> None:
    # the integral of exp(-t^2) is the error function (Abramowitz and Stegun 7.1.1), one factor along each axis
    x, y = np.linspace(-40e3, 60e3, 41), np.linspace(-30e3, 30e3, 25)
    found = polygon_density(
        [rectangle(-5e3, -8e3, 21e3, 3e3)], [ScatterTerm("gaussian", BETA, 1.0)], x, y
    )
    expected = strip(-8e3, 3e3, y)[:, None] * strip(-5e3, 21e3, x)[None, :]
    assert np.abs(found - expected).max() < 2e-4


def test_polygons_add_up() -> None:
    x = y = np.linspace(-30e3, 30e3, 13)
    terms = [ScatterTerm("gaussian", BETA, 0.7), ScatterTerm("exponential", 2e4, 0.3)]
    whole = [rectangle(-20e3, -20e3, 20e3, 20e3)]
    left, right = rectangle(-20e3, -20e3, 0, 20e3), rectangle(0, -20e3, 20e3, 20e3)
    both = polygon_density(whole, terms, x, y)
    assert np.abs(polygon_density([left, right], terms, x, y) - both).max() < 1e-5


def test_a_large_disc_fills_and_a_small_one_gives_its_share() -> None:
    # at the centre of a disc of radius R a Gaussian gives 1 - exp(-R^2/b^2)
    turn = 2 * math.pi * np.arange(256) / 256
    centre = np.zeros(1)
    for radius in (4e3, 9e3, 45e3):
        fair = radius * math.sqrt(2 * math.pi / 256 / math.sin(2 * math.pi / 256))  # of equal area
        disc = fair * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        (found,) = polygon_density([disc], [ScatterTerm("gaussian", BETA, 1.0)], centre, centre)
        assert float(found[0]) == pytest.approx(1 - math.exp(-((radius / BETA) ** 2)), abs=3e-4)


def test_a_term_that_never_counts_adds_nothing() -> None:
    x = y = np.linspace(-5e3, 5e3, 5)
    never = ScatterTerm("gaussian", BETA, SHARE_OUTSIDE / 2)
    assert never.reach_dbu == 0
    square = [rectangle(-50e3, -50e3, 50e3, 50e3)]
    assert not polygon_density(square, [never], x, y).any()
    assert not polygon_density([], [ScatterTerm("gaussian", BETA, 1.0)], x, y).any()


@pytest.mark.parametrize("slope", [0.1, 1.0, 7.0])
@pytest.mark.parametrize("turned", [False, True])
def test_an_edge_that_leaves_the_raster_at_its_side_is_still_straight(
    slope: float, turned: bool
) -> None:
    # (1 + erf(d / b)) / 2 at distance d inside a half plane; the edge y = slope x goes far beyond the places
    x, y = np.linspace(-4e3, 4e3, 3), np.linspace(-150e3, 150e3, 601)
    far = 5e6
    below = np.array(
        [[-far, -slope * far], [-far, -20 * far], [far, -20 * far], [far, slope * far]]
    )
    (polygon, side) = (-below, -1) if turned else (below, 1)
    found = polygon_density([polygon], [ScatterTerm("gaussian", BETA, 1.0)], x, y)
    inside = side * (slope * x[None, :] - y[:, None]) / math.hypot(1, slope)
    assert np.abs(found - (1 + erf(inside / BETA)) / 2).max() < 2e-4
