"""How steep a phase is: its gradient, and the steepest place inside the aperture.

The numerical aperture of a lens is its steepest phase gradient in turns per um times the
wavelength in um: light leaves at sin(theta) = lambda |grad(phase / 2 pi)| (generalised Snell law,
Yu et al., Science 334, 333 (2011)). Spirals are left out: their gradient has no bound at the axis.

Gradients are in turns per um over micrometres on the part, in closed form for each kind of term.
They feed limits and reports, no drawn shape, so library functions are good enough here.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from layoutgen.optics.kernel import (
    AXICON,
    CYLINDER,
    FOCUS,
    GRATING,
    LINEAR,
    SAMPLED,
    SERIES,
    SPIRAL,
    ZERNIKE,
)
from layoutgen.optics.phase import PhaseProgram

__all__ = ["gradient", "max_gradient", "rim_gradient"]

FloatArray = NDArray[np.float64]

# Points across the aperture of the first search. A term of Zernike order 40 has features of a
# fortieth of the aperture: a dozen points each.
GRID = 513
# Samples finer than this grid would be searched in 4 points each; 2049^2 points take a second.
MAX_GRID = 2049
# Points of a first search along one line, the rim or a radius; a hill missed by picking its equal
# neighbour is off by the square of a step, 1e-7.
LINE_POINTS = 8193
# Places that the refinement starts from: symmetric phases have up to eight equal maxima.
STARTS = 16


def gradient(
    program: PhaseProgram, x_um: ArrayLike, y_um: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """d/dx and d/dy of the phase in turns per um, spirals left out, at points that broadcast."""
    x = np.asarray(x_um, dtype=np.float64)
    y = np.asarray(y_um, dtype=np.float64)
    shape = np.broadcast_shapes(x.shape, y.shape)
    gx, gy = np.zeros(shape), np.zeros(shape)
    for kind, row in zip(program.kinds, program.params, strict=True):
        dx, dy = x - row[0], y - row[1]
        tx, ty = _term(int(kind), row, program.extra, dx, dy)
        gx += tx
        gy += ty
    return gx, gy


def max_gradient(program: PhaseProgram, half_aperture_um: float) -> float:
    """The steepest gradient for r <= half_aperture_um, in turns per um, spirals left out.

    In closed form for a lone term that steepens outwards; else by a search over the aperture
    that is refined to 1e-9 where the phase is smooth.
    """
    lone = _lone_gradient(program, half_aperture_um)
    if lone is not None:
        return lone
    if program.radial:
        return _highest(lambda r: _steepness(program, r, np.zeros(1)), 0.0, half_aperture_um)
    cells = [
        4 * int(max(row[3], row[4])) + 1
        for kind, row in zip(program.kinds, program.params, strict=True)
        if kind == SAMPLED
    ]
    points = min(MAX_GRID, max([GRID, *cells]))
    axis = np.linspace(-half_aperture_um, half_aperture_um, points)
    found: list[tuple[float, float, float]] = []
    for rows in np.array_split(axis, max(1, points // 128)):
        x, y = axis[None, :], rows[:, None]
        steep = np.where(x * x + y * y <= half_aperture_um**2, _steepness(program, x, y), -1.0)
        best = np.argpartition(steep, -STARTS, axis=None)[-STARTS:]
        for flat in best.tolist():
            j, i = divmod(flat, points)
            found.append((float(steep[j, i]), float(axis[i]), float(rows[j])))
    found.sort(reverse=True)
    step = 2 * half_aperture_um / (points - 1)
    starts: list[tuple[float, float]] = []
    for _, x0, y0 in found:
        # one start for each separate hill, not sixteen on the highest
        if all(np.hypot(x0 - a, y0 - b) > 3 * step for a, b in starts):
            starts.append((x0, y0))
        if len(starts) == STARTS:
            break
    top = max(_climb(program, a, b, step, half_aperture_um) for a, b in starts)
    return max(top, rim_gradient(program, half_aperture_um))


def rim_gradient(program: PhaseProgram, half_aperture_um: float) -> float:
    """The steepest gradient on the circle r = half_aperture_um, in turns per um."""
    if program.radial:
        return float(_steepness(program, np.array(half_aperture_um), np.zeros(())))

    def at(angle: FloatArray) -> FloatArray:
        return _steepness(
            program, half_aperture_um * np.cos(angle), half_aperture_um * np.sin(angle)
        )

    return _highest(at, 0.0, 2 * np.pi)


def _highest(of: Callable[[FloatArray], FloatArray], low: float, high: float) -> float:
    """The largest value of a smooth function on [low, high]: a line of points, then zooming in."""
    at = np.linspace(low, high, LINE_POINTS)
    step = (high - low) / (LINE_POINTS - 1)
    best = 0.0
    for _ in range(8):
        values = of(at)
        top = int(np.argmax(values))
        best = max(best, float(values[top]))
        at = np.clip(at[top] + np.linspace(-step, step, 33), low, high)
        step /= 16
    return best


def _steepness(program: PhaseProgram, x: FloatArray, y: FloatArray) -> FloatArray:
    gx, gy = gradient(program, x, y)
    return np.hypot(gx, gy)


def _climb(program: PhaseProgram, x0: float, y0: float, step: float, radius: float) -> float:
    """Walk uphill from (x0, y0) on ever smaller windows; points outside are put on the rim."""
    offsets = np.linspace(-1, 1, 9)
    best = -1.0
    # each window is half the one before: 2^-32 of the first step is below any rounding
    for _ in range(32):
        x = np.broadcast_to(x0 + step * offsets[None, :], (9, 9))
        y = np.broadcast_to(y0 + step * offsets[:, None], (9, 9))
        pull = np.minimum(1.0, radius / np.maximum(np.hypot(x, y), 1e-300))
        x, y = x * pull, y * pull
        steep = _steepness(program, x, y)
        top = np.unravel_index(int(np.argmax(steep)), steep.shape)
        if steep[top] > best:
            best = float(steep[top])
            x0, y0 = float(x[top]), float(y[top])
        step /= 2
    return best


def _lone_gradient(program: PhaseProgram, radius: float) -> float | None:
    """Closed form for one term whose gradient grows with the distance from its centre."""
    lone = [k for k, kind in enumerate(program.kinds) if kind != SPIRAL]
    if not lone:
        return 0.0
    if len(lone) > 1:
        return None
    kind, row = int(program.kinds[lone[0]]), program.params[lone[0]]
    if kind in (LINEAR, GRATING):
        return float(np.hypot(row[2], row[3]))
    if kind == AXICON:
        return abs(float(row[2]))
    if kind == FOCUS:
        far = radius + float(np.hypot(row[0], row[1]))
    elif kind == CYLINDER:
        far = radius + abs(float(row[0] * row[4] + row[1] * row[5]))
    else:
        return None
    return far / float(np.hypot(far, row[2])) * float(row[3])


def _term(
    kind: int, row: FloatArray, extra: FloatArray, dx: FloatArray, dy: FloatArray
) -> tuple[FloatArray | float, FloatArray | float]:
    """Gradient of one term about its own centre."""
    if kind == FOCUS:
        pull = -row[3] / np.sqrt(dx * dx + dy * dy + row[2] ** 2)
        return dx * pull, dy * pull
    if kind == CYLINDER:
        u = dx * row[4] + dy * row[5]
        pull = -row[3] * u / np.sqrt(u * u + row[2] ** 2)
        return pull * row[4], pull * row[5]
    if kind == AXICON:
        r = np.hypot(dx, dy)
        pull = -row[2] / np.where(r == 0, 1.0, r)
        return dx * pull, dy * pull
    if kind == SERIES:
        start, count = int(row[3]), int(row[4])
        w = (dx * dx + dy * dy) * row[2]
        slope = np.zeros(w.shape)
        for k in range(count, 0, -1):
            slope = slope * w + k * extra[start + k - 1]
        return 2 * row[2] * dx * slope, 2 * row[2] * dy * slope
    if kind in (LINEAR, GRATING):
        return float(row[2]), float(row[3])
    if kind == ZERNIKE:
        return _zernike(row, extra, dx, dy)
    if kind == SAMPLED:
        return _sampled(row, extra, dx, dy)
    return 0.0, 0.0  # a spiral


def _zernike(
    row: FloatArray, extra: FloatArray, dx: FloatArray, dy: FloatArray
) -> tuple[FloatArray, FloatArray]:
    scale, m, sine, start, count = (row[2], int(row[3]), row[4] == 1, int(row[5]), int(row[6]))
    zx, zy = dx * scale, dy * scale
    t = 2 * (zx * zx + zy * zy) - 1
    # P_k and dP_k/dt by the forward recurrence, summed with the coefficients
    before, now = np.zeros(t.shape), np.ones(t.shape)
    d_before, d_now = np.zeros(t.shape), np.zeros(t.shape)
    total, d_total = np.zeros(t.shape), np.zeros(t.shape)
    for k in range(count):
        value, slope, level, _ = extra[start + 4 * k : start + 4 * k + 4]
        back = extra[start + 4 * k - 1] if k else 0.0
        total += value * now
        d_total += value * d_now
        after = (slope * t + level) * now - back * before
        d_after = slope * now + (slope * t + level) * d_now - back * d_before
        before, now, d_before, d_now = now, after, d_now, d_after
    z = zx + 1j * zy
    power, lower = np.ones(z.shape, dtype=np.complex128), np.zeros(z.shape, dtype=np.complex128)
    for _ in range(m):
        power, lower = power * z, power
    lower = lower * m  # d(z^m)/dz
    angular = power.imag if sine else power.real
    along_x = lower.imag if sine else lower.real
    along_y = lower.real if sine else -lower.imag
    gx = scale * (along_x * total + angular * d_total * 4 * zx)
    gy = scale * (along_y * total + angular * d_total * 4 * zy)
    return gx, gy


def _sampled(
    row: FloatArray, extra: FloatArray, dx: FloatArray, dy: FloatArray
) -> tuple[FloatArray, FloatArray]:
    per_um, columns, rows, start = row[2], int(row[3]), int(row[4]), int(row[5])
    stride = columns + 2
    c = extra[start : start + (rows + 2) * stride].reshape(rows + 2, stride)
    u, v = dx * per_um + (columns - 1) / 2, dy * per_um + (rows - 1) / 2
    i = np.clip(np.floor(u), 0, columns - 2).astype(np.int64)
    j = np.clip(np.floor(v), 0, rows - 2).astype(np.int64)
    wx, sx = _weights(u - i)
    wy, sy = _weights(v - j)
    gx = np.zeros(np.broadcast_shapes(dx.shape, dy.shape))
    gy = np.zeros(gx.shape)
    for a in range(4):
        for b in range(4):
            value = c[j + a, i + b]
            gx += wy[a] * sx[b] * value
            gy += sy[a] * wx[b] * value
    return gx * per_um, gy * per_um


def _weights(f: FloatArray) -> tuple[list[FloatArray], list[FloatArray]]:
    """The four uniform cubic B-splines over a cell and their slopes."""
    g = 1 - f
    values = [g**3 / 6, (3 * f**3 - 6 * f**2 + 4) / 6, (3 * g**3 - 6 * g**2 + 4) / 6, f**3 / 6]
    slopes = [-(g**2) / 2, (3 * f**2 - 4 * f) / 2, -(3 * g**2 - 4 * g) / 2, f**2 / 2]
    return values, slopes
