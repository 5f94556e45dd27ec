"""Which SEM sites are gross errors: the modified z-score, on residuals that no outlier has pulled.

    z_i = 0.6745 (x_i - median x) / MAD,   |z_i| > 3.5 is an outlier

with x_i the measured size less what the *other* sites predict for it, so that an outlier cannot hide
behind its own pull on the fit. It has to stand out in nm and in units of its own prediction's
error: a lone site on a strong bend is hard to predict and no outlier. First weights come from a
plain polynomial with Cauchy weights, then from the surface with those of Student's t (4 degrees
of freedom); only then is anything rejected, and the rule is applied again until it changes nothing.
Source: B. Iglewicz and D. C. Hoaglin, How to Detect and Handle Outliers, ASQC 1993 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.surface import (
    FLOOR_NM,
    IGNORED,
    Nodes,
    Observations,
    SurfaceFit,
    fit_surface,
)

__all__ = ["LIMIT", "find_outliers", "modified_z"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

LIMIT = 3.5
#: Without noise every residual is small against the next: less than this is never gross.
LEAST_NM = 1.0
_T_FREEDOM = 4.0
_CAUCHY = 2.0  # in robust standard deviations
_MOST_ROUNDS = 6
#: Two bends and the independent nodes are enough to judge residuals by.
_LENGTHS = (0.25, 1.0)


def modified_z(x: FloatArray) -> FloatArray:
    """0.6745 (x - median) / MAD; 0 where x is the median, infinite elsewhere if MAD is 0."""
    off = x - np.median(x)
    mad = float(np.median(np.abs(off)))
    if mad == 0.0:
        return np.where(off == 0, 0.0, np.copysign(np.inf, off))
    return 0.6745 * off / mad


def find_outliers(
    nodes: Nodes, observed: Observations, *, slope_prior: float
) -> tuple[BoolArray, SurfaceFit]:
    """Which sites to leave out, and the fit without them (of the likeliest smoothness alone)."""
    plain, sigma = _polynomial_residual(observed)
    variance = observed.variance * (1 + (plain / (_CAUCHY * sigma)) ** 2)
    fit: SurfaceFit | None = None
    for _ in range(3):
        fit = _fit(nodes, observed, variance, slope_prior, sigma if fit is None else fit.sigma_nm)
        x = _standardised(fit, observed)
        variance = observed.variance * np.maximum((_T_FREEDOM + x * x) / (_T_FREEDOM + 1), 1.0)
    assert fit is not None
    out = _beyond(fit, observed)
    for _ in range(_MOST_ROUNDS):
        fit = _fit(
            nodes, observed, np.where(out, IGNORED, observed.variance), slope_prior, fit.sigma_nm
        )
        again = _beyond(fit, observed)
        if (again == out).all():
            break
        out = again
    return out, fit


def _fit(
    nodes: Nodes, observed: Observations, variance: FloatArray, slope_prior: float, sigma: float
) -> SurfaceFit:
    return fit_surface(
        nodes, observed, variance, slope_prior=slope_prior, sigma_nm=sigma, lengths=_LENGTHS,
        passes=1, average=False,
    )  # fmt: skip


def _standardised(fit: SurfaceFit, observed: Observations) -> FloatArray:
    """Left-out residuals in units of what is expected of them."""
    expected = np.sqrt(fit.sigma_nm**2 * observed.variance + fit.left_out_sigma_nm**2)
    found: FloatArray = fit.left_out_nm / np.maximum(expected, FLOOR_NM)
    return found


def _beyond(fit: SurfaceFit, observed: Observations) -> BoolArray:
    in_nm = np.abs(modified_z(fit.left_out_nm)) > LIMIT
    in_sigma = np.abs(_standardised(fit, observed)) > LIMIT
    found: BoolArray = in_nm & in_sigma & (np.abs(fit.left_out_nm) > LEAST_NM)
    return found


def _polynomial_residual(observed: Observations) -> tuple[FloatArray, float]:
    """Residuals of a robust quadratic, and their robust standard deviation."""
    u, v = (
        (x - x.mean()) / max(float(x.std()), 1e-9) for x in (observed.density, observed.master_nm)
    )
    terms = np.stack([np.ones_like(u), u, v, u * v, u * u, v * v, observed.radius**2], axis=1)
    z = observed.error_nm - observed.departure_nm
    weight = np.ones(len(z))
    residual, sigma = z, 1.0
    for _ in range(20):
        root = np.sqrt(weight / observed.variance)
        found, *_ = np.linalg.lstsq(terms * root[:, None], z * root, rcond=None)
        residual = z - terms @ found
        sigma = max(1.4826 * float(np.median(np.abs(residual - np.median(residual)))), FLOOR_NM)
        weight = 1 / (1 + (residual / (_CAUCHY * sigma)) ** 2)
    return residual, sigma
