"""Piecewise cubics through given points that rise and fall where the points do.

A slope at a point is the weighted harmonic mean of the slopes on either side, and 0 where these differ in
sign; at the ends it comes from the parabola through three points, cut back so that it does not turn round.

Sources: F. N. Fritsch & R. E. Carlson, SIAM J. Numer. Anal. 17, 238 (1980); F. N. Fritsch & J. Butland,
SIAM J. Sci. Stat. Comput. 5, 300 (1984). `scipy.interpolate.PchipInterpolator` gives the same curves (a test
compares them); it takes 0.3 s and 40 MB to load, more than a small build has to spend.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["ShapePreserving"]

FloatArray = NDArray[np.float64]


class ShapePreserving:
    """The curve through points (x, y), both (n,), n at least 2, x rising."""

    def __init__(self, x: FloatArray, y: FloatArray) -> None:
        if len(x) < 2 or len(x) != len(y) or not (np.diff(x) > 0).all():
            raise ValueError("want at least two points, from the smallest x up")
        step = np.diff(x)
        secant = np.diff(y) / step
        slope = _slopes(step, secant)
        self._x = x
        # from the point on the left: y + t (slope + t (square + t cube))
        self._y, self._slope = y[:-1], slope[:-1]
        self._square = (3 * secant - 2 * slope[:-1] - slope[1:]) / step
        self._cube = (slope[:-1] + slope[1:] - 2 * secant) / step**2

    def __call__(self, at: FloatArray) -> FloatArray:
        """Values at places between the first and the last point, any shape; nan elsewhere."""
        k = np.clip(np.searchsorted(self._x, at, side="right") - 1, 0, len(self._y) - 1)
        t = at - self._x[k]
        found = self._y[k] + t * (self._slope[k] + t * (self._square[k] + t * self._cube[k]))
        return np.where((at >= self._x[0]) & (at <= self._x[-1]), found, np.nan)


def _slopes(step: FloatArray, secant: FloatArray) -> FloatArray:
    """Slopes at the points."""
    if len(step) == 1:
        return np.array([secant[0], secant[0]])
    left, right = secant[:-1], secant[1:]
    same = left * right > 0
    weight_left, weight_right = 2 * step[1:] + step[:-1], step[1:] + 2 * step[:-1]
    shares = weight_left / np.where(same, left, 1.0) + weight_right / np.where(same, right, 1.0)
    slope = np.zeros(len(step) + 1)
    slope[1:-1] = np.where(same, (weight_left + weight_right) / np.where(same, shares, 1.0), 0.0)
    slope[0] = _end(step[0], step[1], secant[0], secant[1])
    slope[-1] = _end(step[-1], step[-2], secant[-1], secant[-2])
    return slope


def _end(near: float, far: float, near_secant: float, far_secant: float) -> float:
    """The slope at an end, from the two intervals next to it."""
    slope = ((2 * near + far) * near_secant - near * far_secant) / (near + far)
    if slope * near_secant <= 0:
        return 0.0
    if near_secant * far_secant < 0 and abs(slope) > 3 * abs(near_secant):
        return 3 * near_secant
    return slope
