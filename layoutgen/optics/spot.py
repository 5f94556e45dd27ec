"""What a focal spot is like: best focus, widths, Strehl ratio, collected power, depth of focus, MTF.

    best focus         where the intensity is largest, in all three directions
    full width         at half of the peak intensity, along x and along y through the peak
    Strehl ratio       peak intensity over that of the same transmitted amplitudes without phase error
                       (for small errors of variance sigma^2 it is exp(-sigma^2))
    collected          integral of |U|^2 over a disc around the peak in the plane of best focus
    depth of focus     length along which the intensity on the chief ray keeps 80 % of its peak; about
                       lambda / NA^2 (Rayleigh's quarter wave)
    MTF                modulus of the normalised autocorrelation of the plane waves that form the spot

NA is the sine of the angle under which the best focus sees the rim of the aperture. The diffraction limits
are those of a uniform circular pupil: Airy width 0.51450 lambda / NA, MTF (2 / pi)(acos s - s sqrt(1 - s^2))
with s = nu lambda / (2 NA). A flat lens fills its pupil of sines a little more towards the rim, by 1 / cos^2,
so above NA 0.2 its spot is some per cent narrower than that.

Lengths are um. Sources: Born & Wolf, Principles of Optics, 8.5 and 8.8 (Airy pattern, focal depth);
Goodman, Introduction to Fourier Optics, 6.3 (MTF); Mahajan, J. Opt. Soc. Am. 73, 860 (1983) (Strehl, from
memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.optics.focus import FocalField

__all__ = [
    "AIRY_FWHM", "Mtf", "Spot", "airy_fwhm_um", "best_focus", "depth_of_focus_um", "diffraction_mtf",
    "encircled_power", "full_width_um", "image", "mtf", "spot_at", "strehl",
]  # fmt: skip

FloatArray = NDArray[np.float64]

#: Full width at half maximum of an Airy pattern in lambda / NA: 2 x / (2 pi) with (2 J1(x) / x)^2 = 1/2.
AIRY_FWHM = 0.514496
#: Part of the peak intensity that bounds the depth of focus.
DEPTH_LEVEL = 0.8
#: Discs wider than this many lambda / NA are integrated over the spectrum of the spot, not point by point.
_DIRECT_WIDTHS = 4.0
#: How much nearer than the rays' focus the peak is looked for, in its distance.
_NEAREST = 0.95
#: The plane waves of an MTF come from nodes this many pitches apart at least.
_PITCHES_APART = 2.0
#: Frequencies of the MTF, from 0 to the cut-off.
_FREQUENCIES = 21


@dataclass(frozen=True, slots=True)
class Spot:
    """A best focus: its place, |U|^2 there, and NA as seen from it."""

    at_um: tuple[float, float, float]
    peak: float
    na: float
    wavelength_um: float

    @property
    def airy_um(self) -> float:
        return AIRY_FWHM * self.wavelength_um / self.na


@dataclass(frozen=True, eq=False, slots=True)
class Mtf:
    """Modulation along x and y and the diffraction limit, (frequencies,)."""

    cycles_per_mm: FloatArray
    x: FloatArray
    y: FloatArray
    limit: FloatArray
    window_um: float  # light farther than this from the axis is not counted


def airy_fwhm_um(wavelength_um: float, half_um: float, distance_um: float) -> float:
    """Width of the diffraction-limited spot of an aperture at a distance."""
    return AIRY_FWHM * wavelength_um / _na(half_um, distance_um)


def _na(half_um: float, distance_um: float) -> float:
    return half_um / math.hypot(half_um, distance_um)


def _intensity(field: FocalField, x: FloatArray, y: FloatArray, z: FloatArray) -> FloatArray:
    found: FloatArray = np.abs(field.at(x, y, z)) ** 2
    return found


def best_focus(field: FocalField, *, spread_um: float = 0.0, symmetric: bool = False) -> Spot:
    """The place of the largest intensity near the expected focus.

    spread_um: how wide rays scatter there. symmetric: two mirrors keep the peak on the axis.
    """
    fz = field.beam.focus_um[2]
    na = _na(field.half_um, fz)
    across, along = field.beam.wavelength_um / na, field.beam.wavelength_um / na**2
    depth = max(3 * along, 2 * spread_um / na)
    # with few Fresnel zones the peak lies far before the focus of the rays
    near, far = min(depth, _NEAREST * fz), min(depth, 0.5 * fz)
    z = np.linspace(fz - near, fz + far, 2 * min(math.ceil(depth / along * 3), 30) + 1)
    if symmetric:
        return _highest_on_axis(field, z)
    return _climb(field, _brightest(field, z, 1.2 * across + 3 * spread_um))


def _highest_on_axis(field: FocalField, z: FloatArray) -> Spot:
    """The peak on the axis, between some planes."""
    from scipy.optimize import minimize_scalar

    top = int(np.argmax(_intensity(field, np.zeros(1), np.zeros(1), z)))
    near = field.moved((0.0, 0.0, float(z[top])))

    def dark(v: float) -> float:
        return -float(_intensity(near, np.zeros(1), np.zeros(1), np.array([v]))[0])

    found = minimize_scalar(
        dark, bounds=(z[max(top - 1, 0)], z[min(top + 1, len(z) - 1)]), method="bounded",
        options={"xatol": 1e-7 * float(np.ptp(z))},
    )  # fmt: skip
    return spot_at(field, (0.0, 0.0, float(found.x)))


def _climb(field: FocalField, start: tuple[float, float, float]) -> Spot:
    """The peak next to a place, in all three directions (Nelder and Mead's simplex)."""
    from scipy.optimize import minimize

    near, first = field.moved(start), np.array(start)
    na = _na(field.half_um, start[2])
    scale = field.beam.wavelength_um / np.array([na, na, na * na])

    def dark(v: FloatArray) -> float:
        p = first + v * scale
        return -float(_intensity(near, p[:1], p[1:2], p[2:])[0])

    simplex = np.vstack([np.zeros(3), 0.2 * np.eye(3)])
    found = minimize(
        dark, np.zeros(3), method="Nelder-Mead",
        options={"initial_simplex": simplex, "xatol": 1e-5, "fatol": 0.0, "maxiter": 400},
    )  # fmt: skip
    point = first + found.x * scale
    return spot_at(field, (float(point[0]), float(point[1]), float(point[2])))


def _brightest(field: FocalField, z: FloatArray, reach_um: float) -> tuple[float, float, float]:
    """The brightest place of some planes within a distance of the chief ray, from transforms of plane waves."""
    fx, fy, fz = field.beam.focus_um
    wavelength = field.beam.wavelength_um
    nodes = field.nodes_for(reach_um, float(np.ptp(z)) / 2)
    pupil, step, (low_x, low_y) = field.pupil(field.beam.focus_um, nodes)
    side = 2 * len(pupil)
    ux = low_x + np.arange(len(pupil)) * step
    uy = (low_y + np.arange(len(pupil)) * step)[:, None]
    cos = np.sqrt(np.maximum(1 - ux**2 - uy**2, 1e-6))
    at = np.fft.fftfreq(
        side, step / wavelength
    )  # um; exp(+2 pi i u x / lambda) is an inverse transform
    best, found = -1.0, (fx, fy, fz)
    for plane in z.tolist():
        # a wave at F has the phase k (ux dx + uy dy + cos dz) at a place moved along the chief ray
        shift = (ux * fx / fz + uy * fy / fz + cos) * (plane - fz)
        waves = np.zeros((side, side), dtype=np.complex128)
        waves[: len(pupil), : len(pupil)] = pupil * np.exp(2j * math.pi / wavelength * shift)
        light = np.abs(np.fft.ifft2(waves)) ** 2
        light[np.abs(at) > reach_um, :] = 0
        light[:, np.abs(at) > reach_um] = 0
        top = int(np.argmax(light))
        if light.flat[top] > best:
            best = float(light.flat[top])
            j, i = divmod(top, side)
            found = (fx * plane / fz + at[i], fy * plane / fz + at[j], plane)
    return found


def spot_at(field: FocalField, at_um: tuple[float, float, float]) -> Spot:
    """A place taken for the focus."""
    peak = float(np.abs(field.at(*at_um)) ** 2)
    return Spot(at_um, peak, _na(field.half_um, at_um[2]), field.beam.wavelength_um)


def strehl(field: FocalField, spot: Spot) -> float:
    """Peak intensity over that of the same amplitudes without phase error at their own best focus."""
    ideal = field.in_phase()
    if field.beam.on_axis:
        peak = best_focus(ideal, symmetric=True).peak
    else:
        peak = _climb(ideal, field.beam.focus_um).peak
    return spot.peak / peak if peak > 0 else math.nan


def full_width_um(field: FocalField, spot: Spot, axis: str) -> float | None:
    """Full width at half maximum along x or y; None where the intensity does not fall to half."""
    from scipy.interpolate import CubicSpline

    reach = 1.5 * spot.airy_um
    for _ in range(5):
        s = np.linspace(-reach, reach, 2 * round(60 * reach / spot.airy_um) + 1)
        x = spot.at_um[0] + (s if axis == "x" else 0 * s)
        y = spot.at_um[1] + (s if axis == "y" else 0 * s)
        value = _intensity(field, x, y, np.full(len(s), spot.at_um[2])) - spot.peak / 2
        below = np.flatnonzero(value < 0)
        middle = len(s) // 2
        left, right = below[below < middle], below[below > middle]
        if len(left) and len(right):
            roots = CubicSpline(s, value).roots(extrapolate=False)
            low = roots[(roots >= s[left[-1]]) & (roots <= s[left[-1] + 1])]
            high = roots[(roots >= s[right[0] - 1]) & (roots <= s[right[0]])]
            if len(low) and len(high):
                return float(high[0] - low[-1])
        reach *= 2
    return None


def depth_of_focus_um(field: FocalField, spot: Spot) -> float | None:
    """Length along the axis in which the intensity on the chief ray keeps `DEPTH_LEVEL` of its peak."""
    from scipy.interpolate import CubicSpline

    x, y, z0 = spot.at_um
    reach = min(1.5 * spot.wavelength_um / spot.na**2, 0.9 * z0)
    for _ in range(4):
        s = np.linspace(-reach, reach, 121)
        z = z0 + s
        value = _intensity(field, x * z / z0, y * z / z0, z) - DEPTH_LEVEL * spot.peak
        below = np.flatnonzero(value < 0)
        left, right = below[below < 60], below[below > 60]
        if len(left) and len(right):
            roots = CubicSpline(s, value).roots(extrapolate=False)
            low = roots[(roots >= s[left[-1]]) & (roots <= s[left[-1] + 1])]
            high = roots[(roots >= s[right[0] - 1]) & (roots <= s[right[0]])]
            if len(low) and len(high):
                return float(high[0] - low[-1])
        if 2 * reach > 0.9 * z0:
            return None
        reach *= 2
    return None


def encircled_power(
    field: FocalField, spot: Spot, radii_um: FloatArray, *, sector: int = 1
) -> FloatArray:
    """Integral of |U|^2 over discs around the peak with rising radii, (n,), um^2 of unit irradiance.

    sector: of how many mirrored sectors of the plane one tells all (8, 4, 2), 1 without symmetry.
    """
    if float(radii_um[-1]) > _DIRECT_WIDTHS * spot.wavelength_um / spot.na:
        return _wide_power(field, spot, radii_um)
    # three Gauss points to each quarter of lambda / NA, evenly spaced angles: both converge fast
    node, weight = np.polynomial.legendre.leggauss(3)
    width = 0.25 * spot.wavelength_um / spot.na
    inner = np.concatenate([[0.0], radii_um[:-1]])
    parts = np.maximum(1, np.ceil((radii_um - inner) / width)).astype(np.int64)
    edges = np.concatenate(
        [
            [0.0],
            *(
                a + (b - a) * np.arange(1, n + 1) / n
                for a, b, n in zip(inner, radii_um, parts, strict=True)
            ),
        ]
    )
    half = np.diff(edges) / 2
    r = (edges[:-1] + half)[:, None] + half[:, None] * node[None, :]
    w = half[:, None] * weight[None, :] * r
    # |U|^2 turns as often as its band allows: 4 pi NA r / lambda, and some for the tail
    turns = 4 * math.pi * spot.na * float(radii_um[-1]) / spot.wavelength_um
    count = math.ceil((turns * 1.3 + 16) / sector)
    angle = (np.arange(count) + 0.5) * (2 * math.pi / (sector * count))
    x = spot.at_um[0] + r[..., None] * np.cos(angle)
    y = spot.at_um[1] + r[..., None] * np.sin(angle)
    mean = _intensity(field, x, y, np.full(x.shape, spot.at_um[2])).mean(axis=-1)
    total: FloatArray = np.cumsum((w * mean).sum(axis=1)) * 2 * math.pi
    found: FloatArray = total[np.cumsum(parts) - 1]
    return found


def _wide_power(field: FocalField, spot: Spot, radii_um: FloatArray) -> FloatArray:
    """The same from the plane waves: the spectrum of |U|^2 times that of a disc, r J1(2 pi nu r) / nu."""
    from scipy.special import j1

    pupil, step, _ = field.pupil(spot.at_um)
    side = 2 * len(pupil)
    overlap = np.fft.fft2(pupil, (side, side))
    overlap = np.fft.ifft2(np.abs(overlap) ** 2)
    shift = np.fft.fftfreq(side, 1 / side)
    # a disc's spectrum does not ask for the direction: shared between nodes a thirtieth of a step apart
    distance = np.hypot(shift[:, None], shift[None, :]).ravel() * 30
    ring = distance.astype(np.int64)
    outer = (distance - ring) * overlap.real.ravel()
    total = np.zeros(int(ring.max()) + 2)
    total[:-1] += np.bincount(ring, overlap.real.ravel() - outer)
    total[1:] += np.bincount(ring, outer)
    nu = np.arange(1, len(total)) / 30 * step / spot.wavelength_um
    r = radii_um[:, None]
    waves = np.asarray(r * j1(2 * math.pi * nu * r) / nu, dtype=np.float64)
    disc = np.concatenate([math.pi * r * r, waves], axis=1)
    scale = field.cell_um[0] * field.cell_um[1] / field.beam.wavelength_um
    found: FloatArray = np.asarray(disc @ total, dtype=np.float64) * scale**2
    return found


def image(field: FocalField, spot: Spot, half_um: float, points: int) -> FloatArray:
    """|U|^2 over a square around the peak, (points, points), [y, x]."""
    s = np.linspace(-half_um, half_um, points)
    x = spot.at_um[0] + s[None, :] + 0 * s[:, None]
    y = spot.at_um[1] + s[:, None] + 0 * s[None, :]
    return _intensity(field, x, y, np.full(x.shape, spot.at_um[2]))


def diffraction_mtf(cycles_per_um: FloatArray, wavelength_um: float, na: float) -> FloatArray:
    """Incoherent MTF of a uniform circular pupil (Goodman, Introduction to Fourier Optics, 6.3)."""
    s = np.clip(np.abs(cycles_per_um) * wavelength_um / (2 * na), 0.0, 1.0)
    found: FloatArray = 2 / math.pi * (np.arccos(s) - s * np.sqrt(1 - s * s))
    return found


def mtf(field: FocalField, spot: Spot, frequencies: FloatArray | None = None) -> Mtf:
    """MTF in the plane of best focus; frequencies in cycles per um, from 0 to the cut-off unless given."""
    from scipy.interpolate import CubicSpline

    # nodes closer than the pillars would hold single ones, and lines between them that no light fills
    widest = _PITCHES_APART * max(field.cell_um)
    # in sixteens, as `FocalField.grid` makes them, and cut down
    intervals = max(16, int(2 * field.half_um / widest) // 16 * 16)
    pupil, step, _ = field.pupil(spot.at_um, intervals)
    if frequencies is None:
        frequencies = np.linspace(0.0, 2 * spot.na / spot.wavelength_um, _FREQUENCIES)
    side = len(pupil)
    # diffraction at the rim sends 2 / (pi v) of the light beyond v = 2 pi NA r / lambda (Born & Wolf 8.5),
    # evenly enough that no frequency above 0 feels it
    window_um = spot.wavelength_um / step / 2
    rim = 1 - spot.wavelength_um / (math.pi**2 * spot.na * window_um)
    shift = np.arange(side) * step / spot.wavelength_um
    found = []
    for lines in (pupil, pupil.T):
        spectrum = np.fft.fft(lines, 2 * side, axis=1)
        overlap = np.fft.ifft((np.abs(spectrum) ** 2).sum(axis=0))[:side]
        modulus = np.abs(overlap) / abs(overlap[0]) * rim
        modulus[0] = 1.0
        curve = CubicSpline(shift, modulus)(np.minimum(frequencies, shift[-1]))
        found.append(np.clip(curve, 0.0, 1.0))
    return Mtf(
        frequencies * 1e3, found[0], found[1],
        diffraction_mtf(frequencies, spot.wavelength_um, spot.na), window_um,
    )  # fmt: skip
