"""The target phase of a lens: the recipe's terms, compiled once for the per-site kernel.

Terms add up. Each is in turns (phase / 2 pi) over micrometres on the part, x right and y up, with
its own centre; a longer optical path is a larger phase, so a lens has its largest phase at the
centre, and a phase that rises with x steers light to +x. With lambda the design wavelength, R half
the aperture, r^2 = x^2 + y^2:

    focus       -(sqrt(r^2 + f^2) - f) / lambda
    relay       the sum of two such terms, for the object's and the image's distance
    polynomial  sum a_k (r / R)^(2 k) / (2 pi), k from 1
    tilt        index sin(angle) / lambda along the direction
    spiral      charge atan2(y, x) / (2 pi)
    cylinder    focus in the one coordinate along the direction
    axicon      -sin(angle) r / lambda
    zernike     OSA/ANSI single index j, unit variance over the disc, coefficients in radians
    sampled     bicubic spline with not-a-knot ends through samples in radians

Everything that would need sin, cos or a factorial at a site is made here once, in exact fractions
rounded once to doubles; the kernel is left with + - * / sqrt and floor.

Sources: Aieta et al., Nano Lett. 12, 4932 (2012) (focus); Yu et al., Science 334, 333 (2011)
(tilt); ISO 24157:2008 (zernike); NIST DLMF 18.9.2 (Jacobi recurrence); de Boor, A Practical Guide
to Splines (1978), chapter IV (not-a-knot).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import isqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from layoutgen.errors import InputError
from layoutgen.optics.kernel import (
    AXICON,
    CYLINDER,
    FOCUS,
    GRATING,
    LINEAR,
    PARAMS,
    SAMPLED,
    SERIES,
    SPIRAL,
    WITH_TABLES,
    ZERNIKE,
    turns_row,
)
from layoutgen.recipe.model import (
    AxiconTerm,
    CylinderTerm,
    FocusTerm,
    PhaseTerm,
    PolynomialTerm,
    RelayTerm,
    SampledTerm,
    SpiralTerm,
    TiltTerm,
    ZernikeTerm,
)

__all__ = [
    "PhaseProgram", "compile_phase", "cos_deg", "covers", "grating_program", "sin_deg",
    "spline_coefficients", "turns", "turns_row", "zernike_orders",
]  # fmt: skip

FloatArray = NDArray[np.float64]

PI = Fraction("3.14159265358979323846264338327950288419716939937510582097494459")
NM_PER_UM = 1000.0

# Not-a-knot ends need four samples: with fewer, two knots would be dropped for one cubic.
MIN_SAMPLES = 4


@dataclass(frozen=True, eq=False, slots=True)
class PhaseProgram:
    """A compiled phase: what `turns_row` reads, and the symmetries that it keeps bit for bit.

    kinds (terms,) int64, params (terms, PARAMS) float64 and extra float64 are C-contiguous.
    mirror_x: phase(-x, y) == phase(x, y); mirror_y: phase(x, -y) == phase(x, y);
    diagonal: phase(y, x) == phase(x, y); radial: the phase depends on x^2 + y^2 alone.
    The arrays stay writeable only because a kernel would be compiled once more for others; nobody
    may write to them.
    """

    kinds: NDArray[np.int64]
    params: FloatArray
    extra: FloatArray
    mirror_x: bool
    mirror_y: bool
    diagonal: bool
    radial: bool

    def __post_init__(self) -> None:
        if self.params.shape != (self.kinds.size, PARAMS):
            raise ValueError(
                f"params must be ({self.kinds.size}, {PARAMS}), got {self.params.shape}"
            )

    @property
    def tables(self) -> FloatArray | None:
        """What the kernel takes for `extra`: None without terms that need it, and a smaller kernel does."""
        return self.extra if not WITH_TABLES.isdisjoint(self.kinds.tolist()) else None


@dataclass(slots=True)
class _Assembly:
    """Collects rows of a program; its symmetries are those that every row has."""

    kinds: list[int]
    rows: list[list[float]]
    extra: list[float]
    mirror_x: bool = True
    mirror_y: bool = True
    diagonal: bool = True
    radial: bool = True

    def add(
        self,
        kind: int,
        row: Sequence[float],
        *,
        mirror_x: bool,
        mirror_y: bool,
        diagonal: bool,
        radial: bool,
    ) -> None:
        self.kinds.append(kind)
        self.rows.append([*row, *([0.0] * (PARAMS - len(row)))])
        self.mirror_x &= mirror_x
        self.mirror_y &= mirror_y
        self.diagonal &= diagonal
        self.radial &= radial

    def add_radial(self, kind: int, cx: float, cy: float, row: Sequence[float]) -> None:
        """A term of (x - cx)^2 + (y - cy)^2 alone."""
        self.add(
            kind,
            [cx, cy, *row],
            mirror_x=cx == 0,
            mirror_y=cy == 0,
            diagonal=cx == cy,
            radial=cx == 0 and cy == 0,
        )

    def add_linear(self, kind: int, cx: float, cy: float, gx: float, gy: float) -> None:
        if gx == 0 and gy == 0:
            return
        self.add(
            kind,
            [cx, cy, gx, gy],
            mirror_x=gx == 0,
            mirror_y=gy == 0,
            diagonal=gx == gy and cx == cy,
            radial=False,
        )

    def program(self) -> PhaseProgram:
        params = np.array(self.rows, dtype=np.float64).reshape(len(self.rows), PARAMS)
        return PhaseProgram(
            kinds=np.array(self.kinds, dtype=np.int64),
            params=np.ascontiguousarray(params),
            # never empty, so that the kernel always gets an address
            extra=np.array(self.extra or [0.0], dtype=np.float64),
            mirror_x=self.mirror_x,
            mirror_y=self.mirror_y,
            diagonal=self.diagonal,
            radial=self.radial,
        )


def sin_deg(angle_deg: float) -> float:
    """Sine of an angle in degrees, rounded once: sin 30 is 0.5, sin 180 is 0, sin 45 = cos 45."""
    return _sine(Fraction(angle_deg))


def cos_deg(angle_deg: float) -> float:
    """Cosine of an angle in degrees, rounded once: cos 90 is 0."""
    return _sine(Fraction(angle_deg) + 90)


def _sine(angle: Fraction) -> float:
    angle %= 360
    sign = 1
    if angle >= 180:
        angle, sign = angle - 180, -1
    if angle > 90:
        angle = 180 - angle
    # within 45 degrees the Taylor terms below x^41 / 41! leave less than 1e-53
    even = angle > 45
    x = (90 - angle if even else angle) * PI / 180
    term = Fraction(1) if even else x
    total = Fraction(0)
    for k in range(0 if even else 1, 42, 2):
        total += term
        term *= -x * x / ((k + 1) * (k + 2))
    return sign * float(total)


def compile_phase(
    terms: Sequence[PhaseTerm],
    *,
    wavelength_nm: float,
    half_aperture_nm: float,
    sampled: Mapping[str, FloatArray],
) -> PhaseProgram:
    """Compile a lens's phase terms.

    half_aperture_nm is R of the polynomial and the default radius of the Zernike disc. `sampled`
    holds, by the file name that the recipe gives, (rows, columns) arrays of unwrapped phase in
    radians, first row lowest y. InputError names the terms that cannot be made.
    """
    out = _Assembly([], [], [])
    problems: list[str] = []
    inv_lambda = NM_PER_UM / wavelength_nm
    radius_um = half_aperture_nm / NM_PER_UM
    for number, term in enumerate(terms):
        at = f"phase[{number}]"
        cx, cy = (c / NM_PER_UM for c in term.centre_nm)
        match term:
            case FocusTerm():
                out.add_radial(FOCUS, cx, cy, [term.focal_length_nm / NM_PER_UM, inv_lambda])
            case RelayTerm():
                for distance_nm in (term.object_distance_nm, term.image_distance_nm):
                    out.add_radial(FOCUS, cx, cy, [distance_nm / NM_PER_UM, inv_lambda])
            case PolynomialTerm():
                if any(term.coefficients):
                    row = [1 / radius_um**2, len(out.extra), len(term.coefficients)]
                    out.extra += [_per_turn(a) for a in term.coefficients]
                    out.add_radial(SERIES, cx, cy, row)
            case TiltTerm():
                g = term.index * sin_deg(term.angle_deg) * inv_lambda
                gx, gy = g * cos_deg(term.direction_deg), g * sin_deg(term.direction_deg)
                out.add_linear(LINEAR, cx, cy, gx, gy)
            case SpiralTerm():
                if term.charge:
                    out.add(
                        SPIRAL,
                        [cx, cy, float(term.charge)],
                        mirror_x=False,
                        mirror_y=False,
                        diagonal=False,
                        radial=False,
                    )
            case CylinderTerm():
                c, s = cos_deg(term.direction_deg), sin_deg(term.direction_deg)
                out.add(
                    CYLINDER,
                    [cx, cy, term.focal_length_nm / NM_PER_UM, inv_lambda, c, s],
                    mirror_x=c == 0 or (s == 0 and cx == 0),
                    mirror_y=s == 0 or (c == 0 and cy == 0),
                    diagonal=abs(c) == abs(s) and cx == cy,
                    radial=False,
                )
            case AxiconTerm():
                g = sin_deg(term.angle_deg) * inv_lambda
                if g:
                    out.add_radial(AXICON, cx, cy, [g])
            case ZernikeTerm():
                negative = [j for j in term.coefficients if j < 0]
                if negative:
                    problems.append(
                        f"{at}.coefficients: want OSA/ANSI indices from 0 up, got {negative[0]}"
                    )
                    continue
                disc_um = radius_um if term.radius_nm is None else term.radius_nm / NM_PER_UM
                _add_zernike(out, cx, cy, disc_um, term.coefficients)
            case SampledTerm():
                problem = _add_sampled(out, cx, cy, term, sampled)
                if problem:
                    problems.append(f"{at}.file: {problem}")
    if problems:
        raise InputError(problems)
    return out.program()


def grating_program(gx: float, gy: float) -> PhaseProgram:
    """A linear phase of gx, gy turns per um, in whole 2^-32 turns: the same in each period."""
    out = _Assembly([], [], [])
    out.add_linear(GRATING, 0.0, 0.0, gx, gy)
    return out.program()


def turns(program: PhaseProgram, x_um: ArrayLike, y_um: ArrayLike) -> FloatArray:
    """Unwrapped phase in turns at x_um, y_um (any arrays that broadcast), of their shape."""
    x = np.asarray(x_um, dtype=np.float64)
    y = np.asarray(y_um, dtype=np.float64)
    shape = np.broadcast_shapes(x.shape, y.shape)
    if y.ndim and y.shape[-1] == 1 and shape[-1] > 1:  # rows share their y
        lines, width = shape[:-1], shape[-1]
        y = np.broadcast_to(y[..., 0], lines)
    else:
        lines, width = shape, 1
        y = np.broadcast_to(y, shape)
        x = np.broadcast_to(x, shape)[..., None]
    x = np.array(np.broadcast_to(x, (*lines, width)), order="C").reshape(-1, width)
    out = np.zeros(x.shape)
    work = np.zeros(width)
    tables = program.tables
    for row, y_row in enumerate(y.reshape(-1)):
        turns_row(program.kinds, program.params, tables, x[row], y_row, work, out[row])
    return out.reshape(shape)


# --- zernike ----------------------------------------------------------------------------------


def zernike_orders(j: int) -> tuple[int, int]:
    """Radial order n and azimuthal order m of the OSA/ANSI single index j = (n (n + 2) + m) / 2."""
    if j < 0:
        raise ValueError(f"an OSA/ANSI index is 0 or more, got {j}")
    n = (isqrt(8 * j + 1) - 1) // 2
    return n, 2 * j - n * (n + 2)


def _per_turn(value_rad: float, square: int = 1) -> float:
    """value_rad * sqrt(square) / (2 pi), rounded once."""
    scale = 10**40  # forty digits of the root
    root = Fraction(isqrt(square * scale * scale), scale)
    return float(Fraction(value_rad) * root / (2 * PI))


def _jacobi_steps(m: int, k: int) -> tuple[float, float, float]:
    """A_k, B_k, C_k of P_(k+1) = (A_k t + B_k) P_k - C_k P_(k-1), for P^(0, m)."""
    common = Fraction(2 * k + m + 1, 2 * (k + 1) * (k + m + 1))
    slope = common * (2 * k + m + 2)
    if k == 0:
        return float(slope), float(Fraction(-m, 2)), 0.0
    level = common * Fraction(-m * m, 2 * k + m)
    back = Fraction(k * (k + m) * (2 * k + m + 2), (k + 1) * (k + m + 1) * (2 * k + m))
    return float(slope), float(level), float(back)


def _add_zernike(
    out: _Assembly, cx: float, cy: float, radius_um: float, coefficients: Mapping[int, float]
) -> None:
    """One row for all indices that share |m| and cosine or sine."""
    groups: dict[tuple[int, bool], dict[int, float]] = {}
    for j, value_rad in sorted(coefficients.items()):
        n, m = zernike_orders(j)
        if value_rad:
            # ISO 24157: N = sqrt((2 - delta_m0) (n + 1)) gives unit variance over the disc
            norm_square = (1 if m == 0 else 2) * (n + 1)
            series = groups.setdefault((abs(m), m < 0), {})
            series[(n - abs(m)) // 2] = _per_turn(value_rad, norm_square)
    for (m, sine), series in sorted(groups.items()):
        length = max(series) + 1
        row = [1 / radius_um, float(m), float(sine), len(out.extra), length]
        for k in range(length):
            slope, level, _ = _jacobi_steps(m, k)
            back = _jacobi_steps(m, k + 1)[2]
            out.extra += [series.get(k, 0.0), slope, level, back]
        if m == 0:
            # a lone piston is the same everywhere, whatever its centre
            out.add_radial(ZERNIKE, *((cx, cy) if length > 1 else (0.0, 0.0)), row)
            continue
        # Re z^m is even in y, and even in x for even m; Im z^m is even in x for odd m.
        # Swapping x and y turns z^m into (i conj z)^m.
        out.add(
            ZERNIKE,
            [cx, cy, *row],
            mirror_x=cx == 0 and m % 2 == sine,
            mirror_y=cy == 0 and not sine,
            diagonal=cx == cy and m % 4 == (2 if sine else 0),
            radial=False,
        )


# --- samples ----------------------------------------------------------------------------------


def spline_coefficients(values: FloatArray) -> FloatArray:
    """Coefficients (n + 2, ...) of the uniform cubic B-splines that interpolate values (n, ...).

    Along the first axis, with not-a-knot ends: the third derivative is continuous at the second
    and the last but one sample, so the fourth difference of five coefficients vanishes there.
    Together with c[i-1] + 4 c[i] + c[i+1] = 6 v[i] this gives the second coefficient outright,
    c[1] = v[1] - (v[0] - 2 v[1] + v[2]) / 6, and a tridiagonal system for the rest, solved by
    elimination in plain arithmetic so that the bits do not depend on a linear-algebra library.
    """
    n = values.shape[0]
    if n < MIN_SAMPLES:
        raise ValueError(f"a spline needs {MIN_SAMPLES} samples or more, got {n}")
    c = np.zeros((n + 2, *values.shape[1:]))  # c[i + 1] belongs to sample i
    c[2] = values[1] - (values[0] - 2 * values[1] + values[2]) / 6
    c[n - 1] = values[n - 2] - (values[n - 3] - 2 * values[n - 2] + values[n - 1]) / 6
    # forward: c[i] + w[i] c[i+1] = right[i], for samples 2 .. n - 3
    weight = np.zeros(n)
    for i in range(2, n - 2):
        pivot = 4.0 - weight[i - 1]
        weight[i] = 1.0 / pivot
        c[i + 1] = (6 * values[i] - c[i]) / pivot
    for i in range(n - 3, 1, -1):
        c[i + 1] -= weight[i] * c[i + 2]
    c[1] = 6 * values[1] - 4 * c[2] - c[3]
    c[0] = 6 * values[0] - 4 * c[1] - c[2]
    c[n] = 6 * values[n - 2] - 4 * c[n - 1] - c[n - 2]
    c[n + 1] = 6 * values[n - 1] - 4 * c[n] - c[n - 1]
    return c


def _add_sampled(
    out: _Assembly, cx: float, cy: float, term: SampledTerm, sampled: Mapping[str, FloatArray]
) -> str | None:
    """Add the spline; a sentence if the samples cannot carry one."""
    if term.file not in sampled:
        return f"want the samples of {term.file!r}, got none"
    values = np.asarray(sampled[term.file], dtype=np.float64)
    if values.ndim != 2 or min(values.shape) < MIN_SAMPLES:
        return f"want {MIN_SAMPLES} x {MIN_SAMPLES} samples or more, got shape {values.shape}"
    bad = int(np.count_nonzero(~np.isfinite(values)))
    if bad:
        return f"want finite samples, got {bad} that are not"
    rows, columns = values.shape
    coefficients = spline_coefficients(spline_coefficients(values / float(2 * PI)).T).T
    row = [NM_PER_UM / term.pitch_nm, columns, rows, len(out.extra)]
    out.extra += coefficients.ravel().tolist()
    out.add(SAMPLED, [cx, cy, *row], mirror_x=False, mirror_y=False, diagonal=False, radial=False)
    return None


def covers(
    terms: Sequence[PhaseTerm],
    *,
    half_aperture_nm: float,
    collar_nm: float,
    sampled: Mapping[str, FloatArray],
) -> tuple[str, ...]:
    """One sentence for each sampled term whose samples end inside the aperture and its collar."""
    reach_nm = half_aperture_nm + collar_nm
    problems = []
    for number, term in enumerate(terms):
        if not isinstance(term, SampledTerm) or term.file not in sampled:
            continue
        rows, columns = np.shape(sampled[term.file])
        for axis, count, centre_nm in zip("xy", (columns, rows), term.centre_nm, strict=True):
            half_nm = (count - 1) / 2 * term.pitch_nm
            need_nm = reach_nm + abs(centre_nm)
            if half_nm < need_nm * (1 - 1e-12):  # a sum of decimal lengths may be one ulp off
                problems.append(
                    f"phase[{number}].file: want samples over +-{need_nm / NM_PER_UM:g} um in"
                    f" {axis} (aperture and collar), got +-{half_nm / NM_PER_UM:g} um"
                    f" ({count} samples {term.pitch_nm:g} nm apart)"
                )
    return tuple(problems)
