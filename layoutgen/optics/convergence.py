"""Where the light behind a lens should meet: rays from its phase, then the sphere that fits it best.

A ray leaves each place of the aperture along the gradient of the phase and of the illumination. The point
that comes nearest to all rays is the first guess; then the converging sphere is fitted to the phase itself
by least squares (Gauss and Newton), since a small wavefront error costs exp(-sigma^2) of the peak intensity
and nothing else does (Mahajan, J. Opt. Soc. Am. 73, 860 (1983), from memory). A lens whose rays stay apart
(a tilt, an axicon, a cylinder) has no focus, and nobody should look for one.

Lengths are um on the part. Spirals are left out here: they turn a focus into a ring and do not move it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.optics.gradient import gradient
from layoutgen.optics.kernel import SPIRAL
from layoutgen.optics.phase import PhaseProgram, turns

__all__ = ["Convergence", "aperture_points", "convergence", "mean_square_sine"]

FloatArray = NDArray[np.float64]

#: Rays that miss the best point by more than this part of the aperture's radius do not meet. An axicon's
#: miss it by 0.24, a cylinder's by 0.5, those of a lens used far from its design by some per cent.
_MEET = 0.1
#: But rays say little where a lens is small: light whose rms phase error is below a tenth of a wave, in rad,
#: meets all the same (Marechal's fourteenth costs a fifth of the peak intensity, a tenth a third).
_IN_STEP_RAD = 0.2 * math.pi
_ROUNDS = 30


@dataclass(frozen=True, slots=True)
class Convergence:
    """Where light meets, and how well. kind: point, ring (a focus with a spiral), none.

    focus_um is (x, y, z), None where nothing meets; spread is the rays' rms distance from it over the
    radius of the aperture; wavefront_rad the rms phase error that is left.
    """

    kind: str
    focus_um: tuple[float, float, float] | None
    spread: float
    wavefront_rad: float
    reason: str = ""


def aperture_points(half_um: float, rings: int = 48) -> tuple[FloatArray, FloatArray]:
    """Places that stand for equal areas of the aperture, x and y."""
    count = rings * rings * 3
    k = np.arange(count) + 0.5
    r = half_um * np.sqrt(k / count)
    angle = k * math.pi * (3 - math.sqrt(5))  # the golden angle spreads them evenly
    return r * np.cos(angle), r * np.sin(angle)


def mean_square_sine(program: PhaseProgram, half_um: float, wavelength_um: float) -> float:
    """Mean over the aperture of the squared sine of the steering angle."""
    gx, gy = gradient(_without_spirals(program), *aperture_points(half_um))
    return float(np.mean(gx * gx + gy * gy)) * wavelength_um**2


def convergence(
    program: PhaseProgram,
    half_um: float,
    *,
    wavelength_um: float,
    tilt: tuple[float, float] = (0.0, 0.0),
    source: tuple[float, float, float, float] | None = None,
) -> Convergence:
    """Where light of a wavelength (in the medium behind) meets behind a lens of this phase.

    tilt, source: the illumination, as in `optics.focus.Beam`.
    """
    smooth = _without_spirals(program)
    x, y = aperture_points(half_um)
    gx, gy = gradient(smooth, x, y)
    gx, gy = gx + tilt[0], gy + tilt[1]
    if source is not None:
        far = np.sqrt((x - source[0]) ** 2 + (y - source[1]) ** 2 + source[2] ** 2) * source[3]
        gx, gy = gx + (x - source[0]) / far, gy + (y - source[1]) / far
    sx, sy = gx * wavelength_um, gy * wavelength_um
    leaves = sx * sx + sy * sy < 1
    if leaves.mean() < 0.5:
        return Convergence("none", None, math.inf, math.inf, "most of the light cannot leave")
    x, y, sx, sy = x[leaves], y[leaves], sx[leaves], sy[leaves]
    d = np.stack([sx, sy, np.sqrt(1 - sx * sx - sy * sy)], axis=1)
    across = np.eye(3)[None] - d[:, :, None] * d[:, None, :]  # takes off what lies along the ray
    start = np.stack([x, y, np.zeros(len(x))], axis=1)
    total = across.sum(axis=0)
    if np.linalg.eigvalsh(total)[0] < 1e-9 * len(x):
        return Convergence(
            "none", None, math.inf, math.inf, "the rays run side by side and meet nowhere"
        )
    point = np.linalg.solve(total, np.einsum("nij,nj->i", across, start))
    miss = np.einsum("nij,nj->ni", across, point[None] - start)
    spread = math.sqrt(float(np.mean(np.sum(miss**2, axis=1)))) / half_um
    if point[2] <= 0:
        return Convergence("none", None, spread, math.inf, "the rays spread out behind the lens")
    wave = turns(smooth, x, y) + tilt[0] * x + tilt[1] * y
    if source is not None:
        away = np.sqrt((x - source[0]) ** 2 + (y - source[1]) ** 2 + source[2] ** 2)
        wave = wave + away / source[3]
    point, error = _fit_sphere(x, y, wave * wavelength_um, point)
    wavefront_rad = 2 * math.pi * error / wavelength_um
    if spread > _MEET and wavefront_rad > _IN_STEP_RAD:
        return Convergence(
            "none", None, spread, math.inf,
            f"the rays pass their best point at {spread:.0%} of the aperture's radius",
        )  # fmt: skip
    # what a mirror forbids is rounding
    kept = [not (smooth.mirror_x and tilt[0] == 0), not (smooth.mirror_y and tilt[1] == 0), True]
    point = np.where(kept, point, 0.0)
    ring = bool(np.any(program.kinds == SPIRAL))
    return Convergence(
        "ring" if ring else "point",
        (float(point[0]), float(point[1]), float(point[2])),
        spread,
        wavefront_rad,
        "a spiral makes a ring of the focus" if ring else "",
    )


def _fit_sphere(
    x: FloatArray, y: FloatArray, path: FloatArray, point: FloatArray
) -> tuple[FloatArray, float]:
    """The point whose distances best even out the optical path, and the rms path that is left."""
    size = float(point[2])

    def left(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        away = np.stack([at[0] - x, at[1] - y, np.full(len(x), at[2])], axis=1)
        distance = np.linalg.norm(away, axis=1)
        error = path + distance
        slope = away / distance[:, None]
        return error - error.mean(), slope - slope.mean(axis=0)

    error, slope = left(point)
    best = float(np.mean(error**2))
    for _ in range(_ROUNDS):
        step = -np.linalg.lstsq(slope, error, rcond=None)[0]
        length = 1.0
        for _ in range(20):  # a step that makes things worse is halved
            tried = point + length * step
            if tried[2] > 0.05 * size:
                new_error, new_slope = left(tried)
                value = float(np.mean(new_error**2))
                if value <= best:
                    break
            length /= 2
        else:
            break
        point, error, slope, best = tried, new_error, new_slope, value
        if np.abs(length * step).max() < 1e-10 * size:
            break
    return point, math.sqrt(best)


def _without_spirals(program: PhaseProgram) -> PhaseProgram:
    kept = program.kinds != SPIRAL
    if kept.all():
        return program
    return PhaseProgram(
        kinds=np.ascontiguousarray(program.kinds[kept]),
        params=np.ascontiguousarray(program.params[kept]),
        extra=program.extra,
        mirror_x=program.mirror_x,
        mirror_y=program.mirror_y,
        diagonal=program.diagonal,
        radial=program.radial,
    )
