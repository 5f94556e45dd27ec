"""Curves through library rows, against SciPy's PchipInterpolator."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from layoutgen.optics.shape_preserving import ShapePreserving


def test_equals_scipys_curves() -> None:
    rng = np.random.default_rng(2)
    for _ in range(500):
        n = int(rng.integers(2, 12))
        x = np.cumsum(rng.uniform(0.1, 3.0, n))
        y = np.round(rng.normal(size=n), int(rng.integers(0, 3)))  # rounded: level stretches, ties
        at = np.concatenate([x, rng.uniform(x[0], x[-1], 40)])
        assert ShapePreserving(x, y)(at) == pytest.approx(PchipInterpolator(x, y)(at), abs=1e-12)


def test_does_not_overshoot() -> None:
    # Fritsch & Carlson's own example, RPN 14: a step that a common spline rings beside
    x = np.array([7.99, 8.09, 8.19, 8.7, 9.2, 10.0, 12.0, 15.0, 20.0])
    y = np.array(
        [0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994]
    )
    found = ShapePreserving(x, y)(np.linspace(7.99, 20.0, 5000))
    assert (np.diff(found) >= -1e-15).all()
    assert found.min() >= 0
    assert found.max() <= y[-1]


def test_is_nan_outside_and_wants_rising_points() -> None:
    curve = ShapePreserving(np.array([1.0, 2.0, 4.0]), np.array([0.0, 1.0, 1.0]))
    assert np.isnan(curve(np.array([0.999, 4.001]))).all()
    assert curve(np.array([1.0, 4.0])).tolist() == [0.0, 1.0]
    for x in ([1.0], [1.0, 1.0], [2.0, 1.0]):
        with pytest.raises(ValueError, match="two points"):
            ShapePreserving(np.array(x), np.zeros(len(x)))
