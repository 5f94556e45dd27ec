"""The per-site phase, row by row: the one kernel that every lens passes through.

A phase is a list of terms. Each term is one row of `params` and a kind, its longer tables lie in
`extra`; the kernel adds the terms up over one row of sites. All is in turns (phase / 2 pi) and
micrometres, and unwrapped.

    focus     -(sqrt(r^2 + f^2) - f) / lambda
    cylinder  the same in the coordinate u along a direction
    axicon    -g r
    series    sum c_k (r / R)^(2 k), k from 1
    linear    gx x + gy y
    grating   the same, rounded to whole 2^-32 turns, so that equal sites of two periods agree
    spiral    charge * atan2(y, x) / (2 pi)
    zernike   Re or Im of (z / R)^m times sum c_k P_k^(0, m)(2 (r / R)^2 - 1), P: Jacobi polynomials
    sampled   bicubic spline

Only + - * / sqrt and floor appear, each correctly rounded by IEEE 754, and neither reordering nor
fused multiply-add is allowed, so the bits do not depend on the processor or on how rows are cut.
Loops run over the row inside the term, so that the compiler can use the vector unit.

sqrt(r^2 + f^2) - f loses its digits near the axis. The path p obeys p (p + 2 f) = r^2; the step
p + (r^2 - p (p + 2 f)) / (2 f) multiplies the error of the plain difference by -p / f, so where
p < f (within 60 degrees of the axis) it leaves a few units in the last place, and beyond that the
difference needs no help. This spares a division at each site.

Sources: Aieta et al., Nano Lett. 12, 4932 (2012) for the focus; ISO 24157:2008 for the Zernike
terms; NIST Digital Library of Mathematical Functions 18.9 for the recurrence of the Jacobi
polynomials; C. W. Clenshaw, Math. Comput. 9, 118 (1955) for its summation.
"""

from __future__ import annotations

from math import floor, sqrt

import numpy as np

from layoutgen.kernels import inner, kernel

__all__ = [
    "AXICON", "CYLINDER", "FOCUS", "GRATING", "LINEAR", "PARAMS", "SAMPLED", "SERIES", "SPIRAL",
    "WITH_TABLES", "WORK_PER_SITE", "ZERNIKE", "atan2_turns", "turns_row",
]  # fmt: skip

# Kinds, and what columns 2.. of their row of `params` hold; columns 0 and 1 are the centre, um.
FOCUS = 0  # focal length um, 1 / wavelength
CYLINDER = 1  # focal length um, 1 / wavelength, cos, sin of the direction
AXICON = 2  # turns per um
SERIES = 3  # 1 / R^2, start in extra, number of coefficients
LINEAR = 4  # gx, gy in turns per um
GRATING = 5  # gx, gy in turns per um
SPIRAL = 6  # charge
ZERNIKE = 7  # 1 / R, m, 1 for the sine, start in extra, number of radial terms
SAMPLED = 8  # 1 / pitch, columns, rows, start in extra

#: Kinds for which the kernel has to have `extra`.
WITH_TABLES = frozenset((SERIES, SPIRAL, ZERNIKE, SAMPLED))
PARAMS = 8  # columns of `params`
WORK_PER_SITE = 1  # numbers of scratch that a caller gives for each site of its longest row

INV_TWO_PI = 0.15915494309189535  # 1 / (2 pi)
TAN_PI_8 = 0.41421356237309503  # sqrt(2) - 1: below it an angle is summed, above it is folded

# A lattice phase is a rational of small numbers; whole 2^-32 turns (1.5e-9 rad) are far above
# the rounding error of 1e4 turns (4e-12) and hold every multiple of the 2^-16 turn bins.
GRATING_STEPS = 4294967296.0


@kernel
def atan2_turns(y: float, x: float) -> float:
    """Angle of (x, y) in turns, -0.5 .. 0.5, within 1e-15 of atan2(y, x) / (2 pi); 0 at the origin.

    The angle is folded into 0 .. pi / 8, where twenty terms of Gregory's series leave 5e-18 rad.
    """
    ax = abs(x)
    ay = abs(y)
    low = ax if ax < ay else ay
    high = ay if ax < ay else ax
    steep = low > TAN_PI_8 * high
    num = low - high if steep else low
    den = low + high if steep else high
    den = 1.0 if den == 0.0 else den
    t = num / den
    z = t * t
    s = -1.0 / 39.0
    s = s * z + 1.0 / 37.0
    s = s * z - 1.0 / 35.0
    s = s * z + 1.0 / 33.0
    s = s * z - 1.0 / 31.0
    s = s * z + 1.0 / 29.0
    s = s * z - 1.0 / 27.0
    s = s * z + 1.0 / 25.0
    s = s * z - 1.0 / 23.0
    s = s * z + 1.0 / 21.0
    s = s * z - 1.0 / 19.0
    s = s * z + 1.0 / 17.0
    s = s * z - 1.0 / 15.0
    s = s * z + 1.0 / 13.0
    s = s * z - 1.0 / 11.0
    s = s * z + 1.0 / 9.0
    s = s * z - 1.0 / 7.0
    s = s * z + 1.0 / 5.0
    s = s * z - 1.0 / 3.0
    angle = (t + t * z * s) * INV_TWO_PI
    angle = angle + 0.125 if steep else angle
    angle = 0.25 - angle if ax < ay else angle
    angle = 0.5 - angle if x < 0.0 else angle
    return -angle if y < 0.0 else angle


@inner
def _other_term(kind, row_of, extra, cx, dy, x_um, work, out):  # type: ignore[no-untyped-def]
    """Add a term that needs tables or an angle; the other arguments are those of `turns_row`."""
    n = x_um.size
    dy2 = dy * dy
    a = row_of[2]
    b = row_of[3]
    c = row_of[4]
    if kind == SERIES:
        start = int(b)
        for i in range(n):
            work[i] = 0.0
        for k in range(int(c) - 1, -1, -1):
            coefficient = extra[start + k]
            for i in range(n):
                dx = x_um[i] - cx
                work[i] = (work[i] + coefficient) * ((dx * dx + dy2) * a)
        for i in range(n):
            out[i] += work[i]
    elif kind == SPIRAL:
        for i in range(n):
            out[i] += a * atan2_turns(dy, x_um[i] - cx)
    elif kind == ZERNIKE:
        start = int(row_of[5])
        zy = dy * a
        older = np.zeros(n)
        for i in range(n):
            work[i] = 0.0
        # Clenshaw's sum: `work` is b_(k+1), `older` b_(k+2)
        for k in range(int(row_of[6]) - 1, -1, -1):
            here = start + 4 * k
            coefficient = extra[here]
            slope = extra[here + 1]
            level = extra[here + 2]
            back = extra[here + 3]
            for i in range(n):
                zx = (x_um[i] - cx) * a
                t = 2.0 * (zx * zx + zy * zy) - 1.0
                s = coefficient + (slope * t + level) * work[i] - back * older[i]
                older[i] = work[i]
                work[i] = s
        m = int(b)
        if m == 0:
            for i in range(n):
                out[i] += work[i]
        else:
            # the powers of z by repeated product, real parts in `older`
            imaginary = np.zeros(n)
            for i in range(n):
                older[i] = (x_um[i] - cx) * a
                imaginary[i] = zy
            for _ in range(m - 1):
                for i in range(n):
                    zx = (x_um[i] - cx) * a
                    re = older[i]
                    im = imaginary[i]
                    older[i] = re * zx - im * zy
                    imaginary[i] = re * zy + im * zx
            if c == 1.0:
                for i in range(n):
                    out[i] += work[i] * imaginary[i]
            else:
                for i in range(n):
                    out[i] += work[i] * older[i]
    elif kind == SAMPLED:
        columns = int(b)
        rows = int(c)
        start = int(row_of[5])
        stride = columns + 2
        v = dy * a + 0.5 * (rows - 1)
        j = int(min(max(floor(v), 0.0), rows - 2.0))
        f = v - j
        g = 1.0 - f
        w0 = g * g * g / 6.0
        w1 = (3.0 * f * f * (f - 2.0) + 4.0) / 6.0
        w2 = (3.0 * g * g * (g - 2.0) + 4.0) / 6.0
        w3 = f * f * f / 6.0
        row = start + j * stride
        last = -1
        a0 = 0.0
        a1 = 0.0
        a2 = 0.0
        a3 = 0.0
        for i in range(n):
            u = (x_um[i] - cx) * a + 0.5 * (columns - 1)
            k = int(min(max(floor(u), 0.0), columns - 2.0))
            if k != last:
                # the cubic of this cell along the row; it depends on the cell and y alone
                at = row + k
                q0 = w0 * extra[at] + w1 * extra[at + stride]
                q0 += w2 * extra[at + 2 * stride] + w3 * extra[at + 3 * stride]
                at += 1
                q1 = w0 * extra[at] + w1 * extra[at + stride]
                q1 += w2 * extra[at + 2 * stride] + w3 * extra[at + 3 * stride]
                at += 1
                q2 = w0 * extra[at] + w1 * extra[at + stride]
                q2 += w2 * extra[at + 2 * stride] + w3 * extra[at + 3 * stride]
                at += 1
                q3 = w0 * extra[at] + w1 * extra[at + stride]
                q3 += w2 * extra[at + 2 * stride] + w3 * extra[at + 3 * stride]
                a0 = (q0 + 4.0 * q1 + q2) / 6.0
                a1 = (q2 - q0) * 0.5
                a2 = (q0 - 2.0 * q1 + q2) * 0.5
                a3 = (q3 - q0 + 3.0 * (q1 - q2)) / 6.0
                last = k
            f = u - k
            out[i] += ((a3 * f + a2) * f + a1) * f + a0


@kernel
def turns_row(kinds, params, extra, x_um, y_um, work, out):  # type: ignore[no-untyped-def]
    """Write the unwrapped phase of one row of sites, in turns, into `out`.

    kinds (terms,), params (terms, PARAMS) and extra are kinds, params and tables of a PhaseProgram; x_um (n,) are the
    sites' places on the part and y_um that of the row; out (n,); work is scratch, WORK_PER_SITE
    numbers a site. All arrays are C-contiguous.
    """
    n = x_um.size
    for i in range(n):
        out[i] = 0.0
    for term in range(kinds.size):
        kind = kinds[term]
        cx = params[term, 0]
        dy = y_um - params[term, 1]
        dy2 = dy * dy
        a = params[term, 2]
        b = params[term, 3]
        c = params[term, 4]
        if kind == FOCUS:
            f2 = a * a
            two_f = a + a
            half = 0.5 / a
            for i in range(n):
                dx = x_um[i] - cx
                r2 = dx * dx + dy2
                p = sqrt(r2 + f2) - a
                miss = (r2 - p * (p + two_f)) * half
                p = p + (miss if p < a else 0.0)
                out[i] -= p * b
        elif kind == CYLINDER:
            f2 = a * a
            two_f = a + a
            half = 0.5 / a
            vy = dy * params[term, 5]
            for i in range(n):
                u = (x_um[i] - cx) * c + vy
                r2 = u * u
                p = sqrt(r2 + f2) - a
                miss = (r2 - p * (p + two_f)) * half
                p = p + (miss if p < a else 0.0)
                out[i] -= p * b
        elif kind == AXICON:
            for i in range(n):
                dx = x_um[i] - cx
                out[i] -= sqrt(dx * dx + dy2) * a
        elif kind == LINEAR:
            vy = dy * b
            for i in range(n):
                out[i] += (x_um[i] - cx) * a + vy
        elif kind == GRATING:
            vy = dy * b
            for i in range(n):
                t = (x_um[i] - cx) * a + vy
                out[i] += floor(t * GRATING_STEPS + 0.5) / GRATING_STEPS
        elif extra is not None:  # else there are no such terms, and nothing for them is compiled
            _other_term(kind, params[term], extra, cx, dy, x_um, work, out)
